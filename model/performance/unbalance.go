package performance

import (
	"math"

	"tickover/model"
	"tickover/model/electrical"
)

// currentUncertainty is how much of each current's gain error the negative sequence
// can take on: two thirds, of the current over rated.
const currentUncertainty = 2.0 / 3

// unbalance sums up what neither steps nor steady spans show: unbalance that lasts, a neutral
// that seems broken, excitation at idle.
type unbalance struct {
	tracks  *tracks
	doubt   float64    // of I2/IN at rated current
	i2      [3]episode // low, measured and high I2/IN
	lastI2  timedValue
	neutral episode // v: 1 while suspect
	seen    bool    // neutral was judged at all
	idle    tally   // V/Hz over rated
	hot     episode // V/Hz above the limit
}

// episode sums a value over time while it stays above a limit.
type episode struct {
	from, to float64 // s of the running one
	sum      float64
	total    float64 // s over all episodes
	most     float64 // largest sum of one
	longest  float64 // s of the longest
	on       bool
}

// add lets dt seconds pass in which what was summed grew by v when above.
func (e *episode) add(t, dt float64, above bool, v float64) {
	if !above {
		e.on = false
		return
	}
	if !e.on {
		e.on, e.from, e.sum = true, t-dt, 0
	}
	e.to = t
	e.sum += v * dt
	e.total += dt
	e.most, e.longest = max(e.most, e.sum), max(e.longest, t-e.from)
}

// see takes the readings of the newest scan.
func (a *unbalance) see(state model.EngineState) {
	for _, r := range a.tracks.newReadings {
		switch r.role {
		case negativeRole:
			a.negative(r.t, r.v)
		case neutralRole:
			a.seen = true
			a.neutral.add(r.t, a.since(r), r.v >= 0.5, 1)
		case perHertzRole:
			if state == model.Idling {
				a.idle.add(r.t, r.v)
				a.hot.add(r.t, a.since(r), r.v > perHertzLimit, 1)
			}
		}
	}
}

// since is the time since the reading before, none across a gap.
func (a *unbalance) since(r newReading) float64 {
	n := len(r.r)
	if n < 2 || r.r[n-1].t-r.r[n-2].t > maxBridge {
		return 0
	}
	return r.r[n-1].t - r.r[n-2].t
}

func (a *unbalance) negative(t, v float64) {
	dt := t - a.lastI2.t
	if a.lastI2.t != 0 && dt > 0 && dt <= maxBridge {
		mid := (v + a.lastI2.v) / 2
		for i, x := range [3]float64{max(0, mid-a.doubt), mid, mid + a.doubt} {
			a.i2[i].add(t, dt, x > electrical.NegativeLimitIEC, x*x)
		}
	} else {
		a.cut()
	}
	a.lastI2 = timedValue{t, v}
}

// cut ends every episode at a break in the record.
func (a *unbalance) cut() {
	a.lastI2 = timedValue{}
	for i := range a.i2 {
		a.i2[i].on = false
	}
	a.neutral.on, a.hot.on = false, false
}

const (
	perHertzLimit = 1.10 // of rated V/Hz
	perHertzTime  = 30.0 // s
)

// excitation writes down V/Hz at idle.
func (r *recorder) excitation() model.Figure {
	const name = "volts per hertz at idle, highest"
	a := &r.unbalance
	if a.idle.n == 0 {
		return model.NotKnown(name, "", "%", "voltage and frequency were not measured at idle")
	}
	f := number(name, "%", 100*a.idle.hi, "")
	f.Limit, f.LimitSource, f.Confidence = "≤ 110 % for more than 30 s", "derived: the iron "+
		"saturates above", "derived"
	f.Verdict = model.Within
	f.Note = "of rated volts per hertz; mean " + short(100*a.idle.mean()) + " %"
	if a.hot.longest > perHertzTime {
		f.Verdict, f.Reason = model.Outside, "overexcited at low speed for "+short(
			math.Round(a.hot.longest))+" s: raise the speed or switch the excitation off"
	}
	return f
}
