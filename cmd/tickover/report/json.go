package report

import (
	"encoding/json"
	"fmt"
	"io"

	"tickover/model"
)

// JSON writes the record for programs, as SCHEMA.md describes. Values are in
// canonical units; what is not known is null, never NaN. Without a clock the
// times of day are null, save the run's own when the record knows it.
func JSON(w io.Writer, rec *model.RunRecord, clock model.Clock) error {
	d := datingOf(rec, clock)
	e := json.NewEncoder(w)
	e.SetIndent("", "  ")
	e.SetEscapeHTML(false)
	if err := e.Encode(d.document(rec)); err != nil {
		return fmt.Errorf("write the report as JSON: %w", err)
	}
	return nil
}

func (d dating) document(rec *model.RunRecord) document {
	return document{
		Schema: "tickover.report", Version: SchemaVersion, Simulated: rec.Simulated, Advisory: model.Advisory,
		Set: setOf(rec.Rating), Run: d.run(rec), Clock: d.clockOf(rec),
		Findings: list(rec.Findings), NotTested: list(rec.NotTested),
		Timeline: each(rec.Timeline, d.event), FirstStart: each(rec.FirstStart, d.firstStart),
		Steps: each(rec.Steps, d.step), Repeats: each(rec.Repeats, repeatOf), Influence: influenceOf(rec.Influence), Steady: each(rec.Steady, d.steady),
		Class: rec.Class, Figures: each(rec.Figures, figureOf), Soak: each(rec.Soak, d.logRow),
		Alarms: each(rec.Alarms, d.alarm), Hand: each(rec.Hand, d.event), Sensors: each(rec.Sensors, sensorOf),
		Compared: each(rec.HandRows, comparedOf), DryOut: dryOutOf(rec.DryOut), Gauges: each(rec.Gauges, checkedOf), Wiring: each(rec.Wiring, checkedOf),
		Machine:  each(rec.Machine, func(f model.Fact) fact { return fact(f) }),
		Sources:  list(sources(rec)),
		Cautions: each(model.Cautions(), func(c model.Caution) cautioned { return cautioned(c) }),
	}
}

// each maps a list; the outcome is never nil, so that JSON shows [].
func each[A, B any](in []A, f func(A) B) []B {
	out := make([]B, 0, len(in))
	for _, a := range in {
		out = append(out, f(a))
	}
	return out
}

func list(s []string) []string { return each(s, func(t string) string { return t }) }

// known gives nil for what is no number.
func known(v float64) *float64 {
	if !finite(v) {
		return nil
	}
	return &v
}

// given gives nil for zero too: "not stated".
func given(v float64) *float64 {
	if v == 0 {
		return nil
	}
	return known(v)
}

func values(in map[model.PointID]float64) map[model.PointID]*float64 {
	out := make(map[model.PointID]*float64, len(in))
	for k, v := range in {
		out[k] = known(v)
	}
	return out
}

func (d dating) moment(i model.Instant) moment {
	var m moment
	if w, ok := d.Wall(i); ok {
		m.At = &w
	}
	if span, ok := d.Since(i); ok {
		m.Offset = known(span.Seconds())
	}
	return m
}

func setOf(r model.Rating) set {
	return set{r.Name, r.Site, given(r.ApparentPower), given(r.PowerFactor), given(r.Voltage), given(r.Frequency), r.Poles, given(r.Battery)}
}

func (d dating) run(rec *model.RunRecord) run {
	r := rec.Run
	out := run{
		ID: r.ID, Started: d.moment(r.Started).At, Ended: d.moment(r.Ended).At, Cranked: d.moment(r.Cranked), Stopped: d.moment(r.Stopped),
		Cranks: r.Cranks, Starts: r.Starts, Running: r.Running.Seconds(), Loaded: r.Loaded.Seconds(), Open: r.Open, CutShort: r.CutShort,
		States: each(r.States, func(s model.StateSpan) state {
			return state{s.State.String(), d.moment(s.From), d.moment(s.To), s.Evidence}
		}),
	}
	if out.Started == nil && !rec.Started.IsZero() {
		started := rec.Started.UTC()
		out.Started = &started
	}
	return out
}

func (d dating) clockOf(rec *model.RunRecord) clock {
	return clock{rec.ClockKnown.String(), each(d.boots(rec), func(b model.Boot) bootClock {
		best, _ := b.Best()
		return bootClock{b.Number, best.Source.String(), len(b.Estimates)}
	})}
}

func (d dating) event(e model.Event) event {
	out := event{moment: d.moment(e.At), Kind: e.Kind.String(), Text: e.Text, Who: e.Who}
	if c := e.Engine; c != nil {
		out.Engine = &stateChange{c.From.String(), c.To.String(), c.Evidence, c.Lag.Seconds()}
	}
	if e.Alarm != nil {
		a := d.alarm(*e.Alarm)
		out.Alarm = &a
	}
	if m := e.Hand; m != nil {
		out.Hand = &measurement{m.Kind, m.Points, known(m.Value), m.Quantity.String(), m.Quantity.Unit(), m.Instrument,
			map[string]*float64{}, m.Note, m.Corrects}
		for k, v := range m.Conditions {
			out.Hand.Conditions[k] = known(v)
		}
	}
	return out
}

func (d dating) firstStart(s model.StartRecord) start {
	return start{d.moment(s.At), s.Started, each(s.Figures, figureOf)}
}

func (d dating) step(s model.LoadStep) step {
	return step{d.moment(s.At), s.Phases, known(s.From), known(s.To), values(s.Before), values(s.After), each(s.Figures, figureOf)}
}

func repeatOf(r model.Repeat) repeat {
	return repeat{r.Phases, known(r.From), known(r.To), r.Steps, each(r.Figures, figureOf)}
}

func influenceOf(in *model.Influence) *influence {
	if in == nil {
		return nil
	}
	out := &influence{Steps: in.Steps, Senses: in.Senses, Figures: each(in.Figures, figureOf)}
	for i := range in.VoltsPerWatt {
		for j, v := range in.VoltsPerWatt[i] {
			out.VoltsPerWatt[i][j] = known(v)
		}
	}
	return out
}

func (d dating) steady(s model.SteadySpan) steady {
	out := steady{d.moment(s.From), d.moment(s.To), known(s.Load), map[model.PointID]spread{}}
	for p, v := range s.Points {
		out.Points[p] = spread{known(v.Mean), known(v.Min), known(v.Max), known(v.Slope), v.Count}
	}
	return out
}

func (d dating) logRow(r model.LogRow) logRow {
	return logRow{d.moment(r.At), r.Over.Seconds(), values(r.Values)}
}

func (d dating) alarm(a model.AlarmEvent) alarm {
	out := alarm{moment: d.moment(a.At), Rule: a.Rule, Label: a.Label, Priority: a.Priority.String(), From: a.From.String(), To: a.To.String(),
		Point: string(a.Point), Limit: known(a.Limit), Unit: a.Quantity.Unit(), Engine: a.Engine.String(),
		First: a.FirstOut, Unseen: a.Unwatched, Who: a.Who, Why: a.Why, Action: a.Action}
	if a.Quality == model.Good {
		out.Value = known(a.Value)
	}
	return out
}

func figureOf(f model.Figure) figure {
	out := figure{Name: f.Name, Symbol: f.Symbol, Unit: f.Unit, Bound: bound(f.Bound), Limit: f.Limit, Source: f.LimitSource,
		Confidence: f.Confidence, Verdict: f.Verdict.String(), Reason: f.Reason, Seen: given(f.Seen.Seconds()), Note: f.Note}
	if !f.Known {
		return out
	}
	out.Value, out.Uncertainty = known(f.Value), given(f.Uncertainty)
	if f.Bound == model.Interval {
		out.Low, out.High = known(f.Low), known(f.High)
	}
	return out
}

func bound(b model.Bound) string {
	return map[model.Bound]string{model.Exact: "exact", model.AtLeast: "at least", model.Interval: "interval", model.AtMost: "at most"}[b]
}

func sensorOf(p model.Point) sensor {
	return sensor{p.ID, p.Label, p.Quantity.String(), p.Quantity.Unit(), p.Device, given(p.Every.Seconds()), given(p.Class)}
}

// boots lists the boots the run lasted over.
func (d dating) boots(rec *model.RunRecord) []model.Boot {
	first, last := rec.Run.Started.Boot, d.end(rec).Boot
	var boots []model.Boot
	for _, b := range d.Clock.Boots {
		if b.Number >= first && b.Number <= last {
			boots = append(boots, b)
		}
	}
	return boots
}
