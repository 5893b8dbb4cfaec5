package electrical

import (
	"math"

	"tickover/model"
)

const (
	// currentGate is the mean phase current over rated current below which an
	// unbalance in percent of the mean is noise (common practice).
	currentGate = 0.10
	// voltageGate is the voltage over rated voltage below which ratios of
	// voltages, and the frequency many meters then go on showing, mean nothing
	// (common practice: about 30 V on a 230 V set).
	voltageGate = 0.13
)

// Derive appends to a scan what follows from its own samples: missing powers
// and power factors, load ratios, unbalance, sequence components, neutral
// estimate, star-point shift and volts per hertz. A point the scan already
// holds is never overwritten. An input that is Bad makes the result Bad with
// model.InputBad; a formula without a value here, such as a current unbalance
// at no load, becomes model.Undefined; a point whose inputs are not in the scan,
// or that needs a rating not given, is left out.
//
// Reactive power of a phase is never derived: its sign is not in P and S. gain
// is how far the voltage channels may be off, a ratio: see VoltageGain.
func Derive(r model.Rating, gain float64, scan *model.Scan) {
	in := gather(scan)
	d := deriver{scan, r, gain, &in}
	d.phasePowers()
	d.totals()
	d.loads()
	d.currents()
	d.voltages()
}

type deriver struct {
	scan   *model.Scan
	rating model.Rating
	gain   float64
	in     *inputs
}

// add appends a derived point unless its inputs are missing or the scan has
// it; it returns the value for later formulas. NaN becomes Undefined.
func (d deriver) add(p model.PointID, there, good bool, v float64) value {
	if !there {
		return value{}
	}
	if have, ok := d.scan.Find(p); ok {
		return value{have.Value, true, have.Quality == model.Good}
	}
	sample := model.GoodSample(p, v)
	switch {
	case !good:
		sample = model.BadSample(p, model.InputBad)
	case math.IsNaN(v) || math.IsInf(v, 0):
		sample = model.BadSample(p, model.Undefined)
	}
	d.scan.Samples = append(d.scan.Samples, sample)
	return value{v, true, sample.Quality == model.Good}
}

func (d deriver) phasePowers() {
	in := d.in
	for k := range 3 {
		if !in.s[k].there {
			there, good := all(in.ln[k], in.i[k])
			in.s[k] = d.add(model.PhaseApparent[k], there, good, in.ln[k].v*in.i[k].v)
		}
		if !in.p[k].there {
			there, good := all(in.s[k], in.pf[k])
			in.p[k] = d.add(model.PhaseActive[k], there, good, in.s[k].v*in.pf[k].v)
		}
		if !in.pf[k].there {
			there, good := all(in.p[k], in.s[k])
			in.pf[k] = d.add(model.PhasePowerFactor[k], there, good,
				d.factor(in.p[k].v, in.s[k].v, 1))
		}
	}
}

func (d deriver) totals() {
	in := d.in
	if !in.power.there {
		in.power = d.sum(model.PowerActive, in.p)
	}
	if !in.reactive.there {
		in.reactive = d.sum(model.PowerReactive, in.q)
	}
	if !in.appar.there {
		if there, good := all(in.power, in.reactive); there {
			in.appar = d.add(model.PowerApparent, there, good,
				vectorApparent(in.power.v, in.reactive.v))
		} else {
			in.appar = d.sum(model.PowerApparent, in.s)
		}
	}
	if !in.factor.there {
		there, good := all(in.power, in.appar)
		in.factor = d.add(model.PowerFactorTotal, there, good, d.factor(in.power.v, in.appar.v, 3))
	}
}

func (d deriver) sum(p model.PointID, v [3]value) value {
	there, good := all(v[:]...)
	return d.add(p, there, good, v[0].v+v[1].v+v[2].v)
}

// factor is P/S, undefined below 0.5 % of the rating of so many phases, where
// a meter's own noise would be divided by itself.
func (d deriver) factor(p, s float64, phases int) float64 {
	if s < 0.005*d.rating.ApparentPower*float64(phases)/3 {
		return math.NaN()
	}
	return powerFactor(p, s)
}

func (d deriver) loads() {
	if rated := d.rating.ActivePower(); rated > 0 {
		d.add(model.LoadRatio, d.in.power.there, d.in.power.good, d.in.power.v/rated)
	}
	rated := d.rating.Current()
	if !(rated > 0) {
		return
	}
	// A set metered on one phase only still has a loading on that phase.
	highest, there, good := 0.0, false, true
	for _, i := range d.in.i {
		if i.there {
			highest, there, good = max(highest, i.v), true, good && i.good
		}
	}
	d.add(model.LoadApparentRatio, there, good, highest/rated)
}

func (d deriver) currents() {
	there, good := all(d.in.i[:]...)
	i := numbers(d.in.i)
	d.add(model.NeutralEstimate, there, good, neutralEstimate(i[0], i[1], i[2]))
	rated := d.rating.Current()
	if !(rated > 0) {
		return
	}
	unbalance := math.NaN()
	if i[0]+i[1]+i[2] >= 3*currentGate*rated {
		unbalance = Unbalance(i[0], i[1], i[2])
	}
	d.add(model.CurrentUnbalance, there, good, unbalance)
	_, negative, _ := Sequence(i[0], i[1], i[2])
	d.add(model.NegativeCurrent, there, good, negative/rated)
}

func (d deriver) voltages() {
	there, good := all(d.in.ll[:]...)
	ll, ln := numbers(d.in.ll), numbers(d.in.ln)
	unbalance, negative, zero := math.NaN(), math.NaN(), math.NaN()
	if mean := (ll[0] + ll[1] + ll[2]) / 3; mean >= d.floor() {
		unbalance = Unbalance(ll[0], ll[1], ll[2])
		negative = NegativeSequence(ll[0], ll[1], ll[2])
		zero = ZeroSequence(ln, ll)
	}
	d.add(model.VoltageUnbalance, there, good, unbalance)
	d.add(model.NegativeVoltage, there, good, negative)
	thereN, goodN := all(d.in.ln[:]...)
	d.add(model.ZeroSequenceVoltage, there && thereN, good && goodN, zero)
	d.add(model.NeutralSuspect, there && thereN, good && goodN, d.suspect(ln, ll, zero))
	d.voltsPerHertz()
}

// suspect is 1 for a star point that shows a broken neutral, else 0; NaN
// without voltage. The full test is dear and only made when it can matter.
func (d deriver) suspect(ln, ll [3]float64, zero float64) float64 {
	switch {
	case math.IsNaN(zero):
		return zero
	case zero > suspectAbove && NeutralSuspect(ln, ll, d.gain):
		return 1
	}
	return 0
}

// floor is the line-to-line voltage below which nothing is worked out; 50 V
// when the rating is not given.
func (d deriver) floor() float64 {
	if d.rating.Voltage > 0 {
		return voltageGate * d.rating.Voltage
	}
	return 50
}

func (d deriver) voltsPerHertz() {
	if !(d.rating.Voltage > 0 && d.rating.Frequency > 0) || !d.in.f.there {
		return
	}
	sum, count, good := 0.0, 0.0, d.in.f.good
	add := func(v [3]value, scale float64) {
		for _, u := range v {
			if u.there {
				sum, count, good = sum+scale*u.v, count+1, good && u.good
			}
		}
	}
	if add(d.in.ln, math.Sqrt(3)); count == 0 {
		add(d.in.ll, 1)
	}
	ratio := math.NaN()
	if u := sum / count; u >= d.floor() { // NaN without any voltage
		ratio = voltsPerHertz(u, d.in.f.v, d.rating.Voltage, d.rating.Frequency)
	}
	d.add(model.VoltsPerHertzRatio, count > 0, good, ratio)
}
