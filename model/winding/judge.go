package winding

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"tickover/model"
)

// copperZero is 234.5 °C below zero, where the resistance of copper would end
// by its slope at room temperature (IEC 60034-1, from memory).
const copperZero = 234.5

// at20 corrects a resistance of copper from t °C to 20 °C.
func at20(r, t float64) float64 { return r * (copperZero + 20) / (copperZero + t) }

// meanTemperature returns the mean temperature of a winding in °C from its
// resistance cold (r1 at t1 °C) and hot.
func meanTemperature(r1, t1, r2 float64) float64 { return r2/r1*(copperZero+t1) - copperZero }

// relativeSpread returns (max-min)/mean of resistances.
func relativeSpread(r []float64) float64 {
	sum := 0.0
	for _, v := range r {
		sum += v
	}
	return (slices.Max(r) - slices.Min(r)) * float64(len(r)) / sum
}

// Judge returns the figures of one measurement by hand, at its wall time; the
// zero time means that no clock knows it.
func Judge(m *model.Measurement, rating model.Rating, at time.Time) []model.Figure {
	return append(meaning(m, rating), instrument(m, at)...)
}

// instrument judges whether the calibration of the instrument was valid.
func instrument(m *model.Measurement, at time.Time) []model.Figure {
	const name, unit = "age of the instrument's calibration", "months"
	if !m.Taken.IsZero() {
		at = m.Taken
	}
	v, ok := model.CalibrationIn(m.Instrument)
	switch {
	case m.Instrument == "":
		return nil
	case !ok:
		return []model.Figure{model.NotKnown(name, "", unit,
			"the calibration date is missing: enter for example tester 12, calibrated 2026-03")}
	case at.IsZero():
		return []model.Figure{
			model.NotKnown(name, "", unit, "the date of the measurement is not known")}
	}
	old := v.Overdue(at)
	return []model.Figure{limited(name, math.Round(at.Sub(v.On).Hours()/24/30.44), unit, old == "",
		fmt.Sprintf("≤ %d months", v.Lasts()), "the instrument's own interval, else 12 months",
		old)}
}

// meaning returns the figures of what was measured.
func meaning(m *model.Measurement, rating model.Rating) []model.Figure {
	switch m.Kind {
	case model.InsulationKind:
		return insulation(m, rating)
	case model.WindingKind:
		return []model.Figure{{Name: "at 20 °C", Symbol: "R_20",
			Value: at20(m.Value, m.Conditions[model.WindingTemperature]), Unit: "Ω", Known: true,
			Verdict: model.NoLimit, Note: "copper: R · 254.5/(234.5 + t)"}}
	case model.EarthKind:
		return []model.Figure{limited("earth continuity", m.Value, "Ω", m.Value <= 0.1, "≤ 0.1 Ω",
			"common practice", "a joint is corroded or loose")}
	case model.NeutralEarthKind:
		return []model.Figure{
			limited(
				"bond",
				m.Value,
				"",
				m.Value == 1,
				"present, in one place only",
				"IEC 60364-5-551 (from memory)",
				"without a bond, residual-current devices do not trip; with two, current flows "+
					"through the earth",
			),
		}
	case model.PhaseRotation:
		return []model.Figure{limited("rotation", m.Value, "", m.Value == 1, "L1-L2-L3",
			"common practice", "motors would turn backwards: swap two phases")}
	case model.ResidualKind:
		return []model.Figure{residual(m)}
	case model.BatteryRestKind:
		return []model.Figure{rest(m, rating)}
	}
	return nil
}

func limited(name string, v float64, unit string, within bool,
	limit, source, reason string) model.Figure {
	f := model.Figure{Name: name, Value: v, Unit: unit, Known: true, Limit: limit,
		LimitSource: source, Confidence: "common practice", Verdict: model.Within}
	if !within {
		f.Verdict, f.Reason = model.Outside, reason
	}
	return f
}

// residual judges a trip time: half the rated current must not trip within
// 2 s, the rated one within 300 ms, five times it within 40 ms.
func residual(m *model.Measurement) model.Figure {
	const source = "RCD tester instructions after IEC 61008 (30 mA)"
	ratio, ms := m.Conditions[model.TestCurrentRatio], 1000*m.Value
	switch {
	case ratio <= 0.55:
		return limited("trip time at half current", ms, "ms", m.Value >= 2, "no trip in 2 s",
			source, "too sensitive: replace it")
	case ratio < 4.5:
		return limited("trip time at rated current", ms, "ms", m.Value <= 0.3, "≤ 300 ms", source,
			"too slow: replace it")
	}
	return limited("trip time at five times", ms, "ms", m.Value <= 0.04, "≤ 40 ms", source,
		"too slow: replace it")
}

func rest(m *model.Measurement, rating model.Rating) model.Figure {
	if m.Conditions["rested"] < 8*3600 {
		return model.NotKnown("charge", "", "%",
			"rested for less than 8 h: surface charge still affects the voltage")
	}
	blocks := 1.0
	if m.Value > 18 {
		blocks = 2
	}
	charge := 100 * model.RestCharge(m.Value, blocks)
	return limited("charge by rest voltage", charge, "%", charge >= 75, "≥ 75 %",
		"battery makers' tables", "charge it before cranking; a voltage dip can stop the logger")
}

// placeReadings are the measurements of one kind at one place, oldest first.
type placeReadings struct {
	kind, points string
	events       []model.Event
}

// gather sorts measurements by kind and place, in the order first met, and
// marks those that a later entry corrects.
func gather(events []model.Event) (all []placeReadings, corrected map[uint64]bool) {
	corrected = map[uint64]bool{}
	for _, e := range events {
		if e.Hand == nil {
			continue
		}
		if e.Hand.Corrects != 0 {
			corrected[e.Hand.Corrects] = true
		}
		i := slices.IndexFunc(all, func(s placeReadings) bool {
			return s.kind == e.Hand.Kind && strings.EqualFold(s.points, e.Hand.Points)
		})
		if i < 0 {
			all = append(all, placeReadings{kind: e.Hand.Kind, points: e.Hand.Points})
			i = len(all) - 1
		}
		all[i].events = append(all[i].events, e)
	}
	return all, corrected
}

// Rows sets first and last of every kind and place side by side, judged.
// Entries that were corrected stay on record but do not count. The stage that
// was entered takes precedence over the order of time.
func Rows(events []model.Event, rating model.Rating, clock model.Clock) []model.HandRow {
	all, corrected := gather(events)
	var rows []model.HandRow
	for _, s := range all {
		row := model.HandRow{Kind: s.kind, Points: s.points}
		var before, after *model.Event
		for i := range s.events {
			e := &s.events[i]
			if corrected[e.Seq] && e.Seq != 0 {
				continue
			}
			row.Quantity = e.Hand.Quantity
			switch {
			case e.Hand.Stage == "after", before != nil && e.Hand.Stage != "before":
				after = e
			default:
				before = e
			}
		}
		last := after
		if last == nil {
			last = before
		}
		if last == nil {
			continue
		}
		row.Before, row.After = valueOf(before), valueOf(after)
		at, _ := clock.Wall(last.At)
		row.Figures = append(Judge(last.Hand, rating, at), hot(before, after)...)
		rows = append(rows, row)
	}
	spreads(rows)
	return rows
}

func valueOf(e *model.Event) *model.HandValue {
	if e == nil {
		return nil
	}
	return &model.HandValue{Seq: e.Seq, At: e.At, Taken: e.Hand.Taken, Value: e.Hand.Value,
		Who: e.Who, Instrument: e.Hand.Instrument, Note: e.Hand.Note}
}

// hot is the mean temperature of a winding after a run.
func hot(before, after *model.Event) []model.Figure {
	if before == nil || after == nil || after.Hand.Kind != model.WindingKind {
		return nil
	}
	t := meanTemperature(before.Hand.Value, before.Hand.Conditions[model.WindingTemperature],
		after.Hand.Value)
	return []model.Figure{{Name: "mean winding temperature by resistance", Value: t, Unit: "°C",
		Known: !math.IsNaN(t), Verdict: model.NoLimit,
		LimitSource: "IEC 60034-1, resistance method", Confidence: "from memory"}}
}

// spreads adds how far the three phase windings and the two battery blocks
// differ to the last row of each.
func spreads(rows []model.HandRow) {
	var windings []float64
	last := -1
	for i, r := range rows {
		if r.Kind == model.WindingKind && len(r.Points) == 1 &&
			strings.Contains("UVWuvw", r.Points) &&
			len(r.Figures) > 0 {
			windings, last = append(windings, r.Figures[0].Value), i
		}
	}
	if len(windings) == 3 {
		s := relativeSpread(windings)
		f := limited("spread of U, V and W", 100*s, "%", s <= 0.05,
			"≤ 2 % good, above 5 % check the joints", "common practice",
			"a joint is bad or turns are shorted")
		if s > 0.02 && s <= 0.05 {
			f.Note = "between 2 and 5 %: measure again with four wires"
		}
		rows[last].Figures = append(rows[last].Figures, f)
	}
	blocks, last := blockVoltages(rows)
	if len(blocks) == 2 {
		d := math.Abs(blocks[0] - blocks[1])
		rows[last].Figures = append(
			rows[last].Figures,
			limited("difference of the blocks", d, "V", d <= 0.2, "≤ 0.2 V", "common practice",
				"one block is weak"),
		)
	}
}

func blockVoltages(rows []model.HandRow) (v []float64, last int) {
	for i, r := range rows {
		if r.Kind == model.BatteryRestKind && strings.HasPrefix(r.Points, "block") {
			value := r.After
			if value == nil {
				value = r.Before
			}
			v, last = append(v, value.Value), i
		}
	}
	return v, last
}

// OpenTicks lists what was not ticked off at 500 V tests.
func OpenTicks(events []model.Event) []string {
	var open []string
	for _, e := range events {
		if e.Hand == nil || e.Hand.Kind != model.InsulationKind || e.Hand.Corrects != 0 {
			continue
		}
		for _, tick := range slices.Concat(model.TicksBefore500V, model.TicksAfter500V) {
			if !slices.Contains(e.Hand.Ticks, tick) {
				open = append(open, fmt.Sprintf("%s %s: %s", e.Hand.Kind, e.Hand.Points, tick))
			}
		}
	}
	return open
}
