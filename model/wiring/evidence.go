package wiring

import (
	"maps"
	"math"
	"slices"
	"time"

	"tickover/model"
	"tickover/model/electrical"
)

// Evidence gathers from scans what the checks need. Create it with NewEvidence and pass it
// every scan of a period in the order of time, derived points included.
type Evidence struct {
	setup   model.Setup
	rating  model.Rating
	gain    float64 // how far the voltage channels may be off, a ratio
	known   map[model.PointID]model.Point
	state   model.EngineState
	since   model.Instant // since when in that state
	now     model.Instant
	running time.Duration // time on own fuel seen in a row

	devices map[string]*answers
	points  map[model.PointID]*pointSeen
	phase   [3]phaseSeen
	leads   leadSeen
	taps    tapsSeen
	lines   struct{ ratio, total, delivered, excess pile }
	neutral neutralSeen
	energy  energySeen
	speed   pile // of frequency over what the speed says
	still   [3]pile
	single  pile // neutral current over that of the one phase loaded
	even    pile // neutral current over that of phases loaded alike
	loads   *Walker
	npe     pile                  // V, of N against earth at rated speed
	twins   map[model.PointID]int // points that read a phase voltage a second time
	second  map[model.PointID]*secondMeterSeen
	oilRest pile
	soak    map[model.PointID]float64
	soaked  bool
	last    map[model.PointID]float64
	lamp    [2]contactSeen // oil switch, charge lamp
	sender  map[model.PointID]*together
}

// answers is how one device answered.
type answers struct {
	asked, good int
	lags        pile
	reads       int // scans with the same group as before
	changed     int // of them, those in which a value differed
	// values of the group that always change on a running set
	live map[model.PointID]bool
	span time.Duration
	last map[model.PointID]float64
	at   model.Instant
}

// pointSeen is what one point showed.
type pointSeen struct {
	good, failed, odd int
	low, high         float64
	values            pile
	wild              pile // what was read and is implausible
	running           time.Duration
}

// phaseSeen are the piles of one phase under load.
type phaseSeen struct{ ln, ll, pf, p, q, vi, pqs, factor pile }

// contactSeen is what a contact showed with the key on at rest, and running.
type contactSeen struct{ rest, run [2]int }

// NewEvidence returns empty evidence about the points of a setup.
func NewEvidence(setup model.Setup) *Evidence {
	known := setup.Points()
	gain := electrical.VoltageGain(slices.Collect(maps.Values(known)), setup.Rating)
	return &Evidence{setup: setup, rating: setup.Rating, gain: gain, known: known,
		devices: map[string]*answers{}, points: map[model.PointID]*pointSeen{},
		soak: map[model.PointID]float64{}, last: map[model.PointID]float64{},
		sender: map[model.PointID]*together{}, loads: NewWalker(setup.Rating),
		twins: map[model.PointID]int{}, second: map[model.PointID]*secondMeterSeen{}}
}

// Step takes the next scan.
func (w *Evidence) Step(scan *model.Scan) {
	dt, same := scan.At.Sub(w.now)
	if !same || dt < 0 || dt > time.Minute {
		dt = 0
	}
	w.now = scan.At
	if s, ok := scan.Find(model.EngineStatePoint); ok && s.Quality == model.Good &&
		model.EngineState(s.Value) != w.state {
		w.state, w.since = model.EngineState(s.Value), scan.At
	}
	if w.running += dt; !w.state.Running() {
		w.running = 0
	}
	w.device(scan)
	for _, s := range scan.Samples {
		w.see(s, dt)
		w.taps.sign(s, scan.At, w.rating)
	}
	if m, ok := read(scan); ok {
		w.meter(m, scan.At)
		w.taps.see(m, scan.At, w.rating)
		w.loads.Step(scan)
	}
	w.engine()
	w.senders()
}

func (w *Evidence) in(state model.EngineState) time.Duration {
	d, ok := w.now.Sub(w.since)
	if !ok || w.state != state {
		return 0
	}
	return d
}

func (w *Evidence) see(s model.Sample, dt time.Duration) {
	p := w.points[s.Point]
	if p == nil {
		p = &pointSeen{low: math.Inf(1), high: math.Inf(-1)}
		w.points[s.Point] = p
	}
	switch {
	case s.Quality == model.Good:
		p.good++
		p.low, p.high = min(p.low, s.Value), max(p.high, s.Value)
		p.values.add(s.Value)
		w.last[s.Point] = s.Value
		if k, twin := twinOf(s.Point); twin {
			w.twins[s.Point] = k
		}
		if w.state.Running() {
			p.running += dt
		}
	case s.Cause == model.SensorFailed:
		p.failed++
	case s.Cause == model.Implausible:
		p.odd++
		p.wild.add(s.Value)
	}
}

// device counts answers and how often values change. A meter fed by the set is
// not asked at standstill.
func (w *Evidence) device(scan *model.Scan) {
	name, _, _ := cut(scan.Group)
	d := w.devices[scan.Group]
	if d == nil {
		d = &answers{last: map[model.PointID]float64{}, live: map[model.PointID]bool{}}
		w.devices[scan.Group] = d
	}
	if w.fedBySet(name) && !w.state.Running() {
		return
	}
	good, changed, measured := false, false, scan.Samples[:min(scan.Measured, len(scan.Samples))]
	for _, s := range measured {
		switch s.Cause {
		case model.NoAnswer,
			model.LineClosed,
			model.CorruptAnswer,
			model.ForeignAnswer,
			model.NotPolledYet:
			continue
		}
		good = true
		if s.Lag > 0 { // stores of before lags were kept have none
			d.lags.add(s.Lag.Seconds())
		}
		if s.Quality == model.Good && live(w.known[s.Point].Quantity) {
			if v, ok := d.last[s.Point]; ok && v != s.Value {
				changed = true
			}
			d.last[s.Point] = s.Value
			d.live[s.Point] = true
		}
	}
	d.asked++
	if good {
		d.good++
	}
	gap, same := scan.At.Sub(d.at)
	d.at = scan.At
	if good && same && gap > 0 && gap < 30*time.Second && w.state.AtRatedSpeed() {
		d.reads++
		d.span += gap
		if changed {
			d.changed++
		}
	}
}

// live reports whether a quantity of a running set always changes.
func live(q model.Quantity) bool {
	switch q {
	case model.Voltage, model.Current, model.Frequency, model.ActivePower:
		return true
	}
	return false
}

func cut(group string) (device, interval string, ok bool) {
	for i := len(group) - 1; i >= 0; i-- {
		if group[i] == '/' {
			return group[:i], group[i+1:], true
		}
	}
	return group, "", false
}

func (w *Evidence) fedBySet(name string) bool {
	for _, d := range w.setup.Devices {
		if d.Name == name {
			return d.PoweredBySet
		}
	}
	return false
}

// leastLoad is the current of a phase below which its power is not used.
func (w *Evidence) leastLoad() float64 { return max(1, 0.03*w.rating.Current()) }

func (w *Evidence) meter(m meterReading, at model.Instant) {
	if w.in(model.Standstill) > time.Minute {
		for k := range 3 {
			w.still[k].add(m.i[k])
		}
	}
	if w.state != model.Unloaded && w.state != model.Loaded || w.in(w.state) < 5*time.Second {
		return
	}
	w.lines.ratio.add(sum(m.ll) / sum(m.ln))
	for k := range 3 {
		w.phase[k].ln.add(m.ln[k])
		w.phase[k].ll.add(m.ll[k])
		w.loaded(k, m)
	}
	w.leads.see(m, w.leastLoad())
	w.throughNeutral(m)
	w.witness(m)
	w.neutral.see(m, at, w.rating, w.gain)
	w.delivered(m)
	if s := sum(m.p); allKnown(m.total) && math.Abs(m.total) > 0.02*w.rating.ActivePower() {
		w.lines.total.add(s / m.total)
	}
	w.energy.see(m, at, w.rating)
	if v, ok := w.last[model.SpeedPoint]; ok && v > 1 && w.rating.Poles > 0 && allKnown(m.f) {
		w.speed.add(m.f / (v * float64(w.rating.Poles) / 2))
	}
}

// delivered holds the power in total, as the meter signs it, against voltage times
// current of all phases under load.
func (w *Evidence) delivered(m meterReading) {
	total, apparent := m.total, 0.0
	if !allKnown(total) {
		total = sum(m.p)
	}
	for k := range 3 {
		if m.i[k] > w.leastLoad() && m.ln[k] > 50 {
			apparent += m.i[k] * m.ln[k]
		}
	}
	if apparent > 0 && allKnown(total) {
		w.lines.delivered.add(total / apparent)
	}
}

func (w *Evidence) loaded(k int, m meterReading) {
	if !(m.i[k] > w.leastLoad()) || !(m.ln[k] > 50) {
		return
	}
	p, s := &w.phase[k], m.s[k]
	if !allKnown(s) {
		s = m.ln[k] * m.i[k]
	}
	p.vi.add(m.s[k] / (m.ln[k] * m.i[k]))
	p.pf.add(m.p[k] / s)
	p.p.add(m.p[k])
	p.q.add(m.q[k])
	p.pqs.add((m.p[k]*m.p[k] + m.q[k]*m.q[k]) / (s * s))
	p.factor.add(math.Abs(m.pf[k]) - math.Abs(m.p[k]/s))
}

// throughNeutral holds the neutral's current against the phases where these
// say what it must be: one phase loaded alone, or all three alike.
func (w *Evidence) throughNeutral(m meterReading) {
	if !allKnown(m.n) || !allKnown(m.i[:]...) {
		return
	}
	high, low := slices.Max(m.i[:]), slices.Min(m.i[:])
	switch rest := sum(m.i) - high; {
	case high < 2*w.leastLoad():
	case rest < 0.05*high:
		w.single.add(m.n / high)
	case high-low < 0.04*high && alike(m.pf):
		w.even.add(m.n / high)
	}
}

// alike reports whether the power factors of three phases are about the same.
func alike(pf [3]float64) bool {
	return allKnown(pf[:]...) && slices.Max(pf[:])-slices.Min(pf[:]) < 0.04
}

// engine follows what the engine's sensors show at rest and running.
func (w *Evidence) engine() {
	if w.in(model.Standstill) > 5*time.Minute {
		if v, ok := w.last[model.OilPressure]; ok {
			w.oilRest.add(v)
		}
	}
	if w.in(model.Standstill) > 10*time.Hour {
		w.soaked = true
		for _, id := range []model.PointID{model.CoolantTemperature, model.OilTemperature,
			model.AmbientTemperature, model.ExhaustTemperature} {
			if v, ok := w.last[id]; ok {
				w.soak[id] = v
			}
		}
	}
	for i, id := range []model.PointID{model.OilSwitch, model.ChargeLamp} {
		v, ok := w.last[id]
		key := w.last[model.KeyOn]
		switch {
		case !ok:
		case w.in(model.Standstill) > 5*time.Second && key == 1:
			w.lamp[i].rest[int(v)&1]++
		case w.running > 20*time.Second:
			w.lamp[i].run[int(v)&1]++
		}
	}
}
