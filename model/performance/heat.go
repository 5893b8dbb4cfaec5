package performance

import (
	"math"
	"slices"
	"strings"

	"tickover/model"
)

const (
	heatMinutes = 30  // that a thermal equilibrium is judged over
	heatLimit   = 1.0 // K in heatMinutes
)

// rise is how one temperature moved over the last half hour of a span.
type rise struct {
	id   model.PointID
	over model.PointID // what it is the rise over; empty: the temperature itself
	by   float64       // K in half an hour
	unc  float64       // two standard errors of by
}

// name is the text of the rise.
func (r rise) name() string {
	words := strings.ReplaceAll(string(r.id), ".", " ")
	if r.over != "" {
		words += " over " + strings.TrimSuffix(string(r.over), ".temperature")
	}
	return words + ", drift"
}

// heat follows the temperatures of a steady span for thermal equilibrium: the
// rise of every one over the air, or without it over the coolant, changes by no
// more than 1 K in half an hour.
type heat struct {
	tracks  *tracks
	start   float64
	next    float64 // s when the running minute ends
	rises   []rise
	reached float64
}

func (h *heat) begin(t float64) {
	h.start, h.next, h.rises, h.reached = t, t+60, nil, math.NaN()
	for _, s := range h.tracks.points {
		s.inMinute, s.minutes = tally{}, s.minutes[:0]
	}
}

// pass lets time go on to t.
func (h *heat) pass(t float64) {
	for t >= h.next {
		h.minute()
		h.next += 60
	}
}

func (h *heat) minute() {
	full := false
	for _, s := range h.tracks.points {
		if s.role != temperatureRole {
			continue
		}
		mean := math.NaN()
		if s.inMinute.n > 0 {
			mean = s.inMinute.mean()
		}
		if len(s.minutes) > heatMinutes {
			s.minutes = s.minutes[:copy(s.minutes, s.minutes[1:])]
		}
		s.minutes, s.inMinute = append(s.minutes, mean), tally{}
		full = full || len(s.minutes) > heatMinutes
	}
	if full {
		h.judge()
	}
}

func (h *heat) judge() {
	h.rises = h.rises[:0]
	still := true
	for _, s := range h.tracks.points {
		if s.role != temperatureRole || s.id == model.AmbientTemperature || !whole(s.minutes) {
			continue
		}
		r := rise{id: s.id, over: h.reference(s.id)}
		r.by, r.unc = trend(s.minutes, h.minutes(r.over))
		still = still && math.Abs(r.by) <= heatLimit
		h.rises = append(h.rises, r)
	}
	if still && len(h.rises) > 0 && math.IsNaN(h.reached) {
		h.reached = h.next - h.start
	}
}

func whole(m []float64) bool { return len(m) > heatMinutes && !slices.ContainsFunc(m, math.IsNaN) }

func (h *heat) minutes(id model.PointID) []float64 {
	if s := h.tracks.points[id]; s != nil {
		return s.minutes
	}
	return nil
}

func (h *heat) reference(id model.PointID) model.PointID {
	switch {
	case whole(h.minutes(model.AmbientTemperature)):
		return model.AmbientTemperature
	case id != model.CoolantTemperature && whole(h.minutes(model.CoolantTemperature)):
		return model.CoolantTemperature
	}
	return ""
}

// trend is the least-squares slope of t less over, scaled to half an hour, and
// two standard errors of it.
func trend(t, over []float64) (by, unc float64) {
	at := func(i int) float64 {
		if over == nil {
			return t[i]
		}
		return t[i] - over[i]
	}
	var a tally
	for i := range t {
		a.add(float64(i), at(i))
	}
	slope, middle, residual := a.spread().Slope, float64(len(t)-1)/2, 0.0
	for i := range t {
		off := at(i) - a.mean() - slope*(float64(i)-middle)
		residual += off * off
	}
	n := float64(len(t))
	se := math.Sqrt(residual / (n - 2) * 12 / (n * (n*n - 1)))
	return slope * heatMinutes, 2 * se * heatMinutes
}

// thermal writes the drifts of the steady span with the most load that lasted
// half an hour.
func (r *recorder) thermal() []model.Figure {
	const name = "thermal equilibrium"
	at := -1
	for i, s := range r.steady.found {
		if len(s.rises) > 0 && (at < 0 || s.Load >= r.steady.found[at].Load) {
			at = i
		}
	}
	if at < 0 {
		return []model.Figure{model.NotKnown(name, "", "min",
			"no steady load with temperature readings lasted half an hour")}
	}
	s := r.steady.found[at]
	load := short(math.Round(s.Load/10)/100) + " kW"
	when := number(name+" reached after", "min", s.warm/60,
		"a temperature still drifted by more than 1 K in the last half hour")
	when.Note = "steady load of " + load + "; every rise changes by no more than 1 K in half " +
		"an hour"
	figures := []model.Figure{when}
	for _, rise := range s.rises {
		m := plain(math.Abs(rise.by), rise.unc)
		m.value, m.lo, m.note = rise.by, max(m.lo,
			0), "over the last half hour at "+load+"; uncertainty is two standard errors"
		f := m.figure(
			rise.name(),
			"",
			"K in 30 min",
			fixedLimit{heatLimit, "≤ 1 K in 30 min",
				"IEC 60034-1, editions from 2017; 2 K/h before", fromMemory},
		)
		figures = append(figures, f)
	}
	slices.SortStableFunc(figures[1:],
		func(a, b model.Figure) int { return strings.Compare(a.Name, b.Name) })
	return figures
}
