// Package rundown is a set in closed form that runs without load and is then
// stopped by its fuel. It shares nothing with model/plant, so that what is
// worked out of its readings is checked against another source.
package rundown

import (
	"math"
	"math/rand/v2"
	"time"

	"tickover/model"
)

// Set is one set and how it stops. Times in s, speed and voltage of rated.
type Set struct {
	Cut      float64 // when the fuel is cut
	Lasts    float64 // from then until the shaft is at rest
	Bend     float64 // how much faster it slows at first, of the mean: 0 a straight line
	NoLoad   float64 // speed before
	Knee     float64 // speed below which the regulator lets the voltage fall with it
	Excite   float64 // speed below which the field collapses, at FieldLag
	Charges  float64 // speed below which the battery is charged no longer
	Charged  float64 // V while it is
	Surface  float64 // V above rest that the battery keeps at first
	Settles  float64 // s in which that decays
	Oil      float64 // Pa at rated speed
	Pickup   bool    // a speed pickup is fitted
	Key      Key     // whether a key is read, and what it does
	Reversed [3]bool // current transformers that face the wrong way
	Counter  float64 // J that the meter's counter of net energy shows at 0 s; 0: not read
	Holds    bool    // the meter shows its last frequency while it has no voltage
	Loads    []Load  // in the order of time; none means no load
	Droop    float64 // speed lost at rated load
	Volts    float64 // rated, to neutral
	Hertz    float64 // rated
	lastSeen float64 // frequency that a meter holds
}

// Key is what is known of the key.
type Key int

// A key that is not read, one that is turned off as the fuel is cut, and one
// that stays on when a lever cuts the fuel.
const (
	NoKey Key = iota
	KeyOff
	KeyStays
)

// Load is put on in one step at a time and is on until the next. Share is of the
// rated active power.
type Load struct{ At, Share float64 }

// What every set has in common.
const (
	// GovernorLag is the time constant in s by which the speed follows a load.
	GovernorLag = 0.3
	fieldLag    = 0.4  // s
	oilLag      = 0.3  // s by which the oil follows the speed
	rest        = 12.7 // V of the battery
	least       = 30.0 // V below which the meter finds no frequency
)

// Random is a set of common size: it comes to rest in 2.5 to 12 s.
func Random(random *rand.Rand) *Set {
	u := func(lo, hi float64) float64 { return lo + (hi-lo)*random.Float64() }
	return &Set{Cut: 100, Lasts: u(2.5, 12), Bend: u(0, 0.8),
		NoLoad: u(1, 1.05), Knee: u(0.9, 0.96), Excite: u(0.25, 0.6),
		Charges: u(0.3, 0.5), Charged: u(13.8, 14.4), Surface: u(0.2, 1), Settles: u(2, 60), Oil: u(2.5e5, 5e5),
		Key: Key(random.IntN(3)), Holds: random.IntN(2) == 0, Volts: 230, Hertz: []float64{50, 60}[random.IntN(2)]}
}

// Speed is the shaft's speed at t, of rated.
func (s *Set) Speed(t float64) float64 {
	x := (t - s.Cut) / s.Lasts
	switch {
	case x <= 0:
		return s.NoLoad - s.Droop*s.carried(t)
	case x >= 1:
		return 0
	}
	return s.NoLoad * (1 - x - s.Bend*x*(1-x))
}

// carried is the load at t as the speed shows it.
func (s *Set) carried(t float64) (share float64) {
	on := 0.0
	for _, l := range s.Loads {
		if t > l.At {
			share += (l.Share - on) * (1 - math.Exp((l.At-t)/GovernorLag))
		}
		on = l.Share
	}
	return share
}

// Power is the active power at t, W.
func (s *Set) Power(t float64) float64 {
	on := 0.0
	for _, l := range s.Loads {
		if t > l.At {
			on = l.Share
		}
	}
	return on * s.Rating().ActivePower()
}

// Energy is what was delivered from 0 s until t, J.
func (s *Set) Energy(t float64) (joules float64) {
	for i, l := range s.Loads {
		until := t
		if i+1 < len(s.Loads) {
			until = min(t, s.Loads[i+1].At)
		}
		joules += max(0, until-max(0, l.At)) * l.Share * s.Rating().ActivePower()
	}
	return joules
}

func (s *Set) sign(phase int) float64 {
	if s.Reversed[phase] {
		return -1
	}
	return 1
}

// At is when the speed falls to a share of rated.
func (s *Set) At(speed float64) float64 {
	lo, hi := s.Cut, s.Cut+s.Lasts
	for range 60 {
		if mid := (lo + hi) / 2; s.Speed(mid) > speed {
			lo = mid
		} else {
			hi = mid
		}
	}
	return hi
}

// Voltage is that of each phase at t, V to neutral.
func (s *Set) Voltage(t float64) float64 {
	n := s.Speed(t)
	v := min(1, n/s.Knee)
	if off := t - s.At(s.Excite); off > 0 {
		v *= math.Exp(-off / fieldLag)
	}
	return v * s.Volts
}

// Battery is the battery's voltage at t.
func (s *Set) Battery(t float64) float64 {
	off := t - s.At(s.Charges)
	if off <= 0 {
		return s.Charged
	}
	kept := min(s.Surface, s.Charged-rest)
	return rest + (s.Charged-rest-kept)*math.Exp(-off/0.3) + kept*math.Exp(-off/s.Settles)
}

// Meter reads the meter at t.
func (s *Set) Meter(at model.Instant, t float64) *model.Scan {
	volts := s.Voltage(t)
	switch {
	case volts >= least:
		s.lastSeen = s.Speed(t) * s.Hertz
	case !s.Holds:
		s.lastSeen = 0
	}
	scan := &model.Scan{Group: "meter", At: at}
	scan.Samples = append(scan.Samples, model.GoodSample(model.FrequencyPoint, digits(s.lastSeen, 0.01)))
	each, total := s.Power(t)/3, 0.0
	for i := range 3 {
		scan.Samples = append(scan.Samples, model.GoodSample(model.PhaseVoltages[i], digits(volts, 0.1)),
			model.GoodSample(model.LineVoltages[i], digits(volts*math.Sqrt(3), 0.1)),
			model.GoodSample(model.PhaseCurrents[i], digits(each/s.Volts, 0.01)), model.GoodSample(model.PhaseActive[i], digits(s.sign(i)*each, 1)))
		total += s.sign(i) * each
	}
	scan.Samples = append(scan.Samples, model.GoodSample(model.PowerActive, digits(total, 1)))
	if s.Counter > 0 {
		net := s.Counter + s.Energy(t)*(s.sign(0)+s.sign(1)+s.sign(2))/3
		scan.Samples = append(scan.Samples, model.GoodSample(model.EnergyActive, math.Floor(net/36e3)*36e3))
	}
	scan.Measured = len(scan.Samples)
	return scan
}

// Adapter reads oil, battery and pickup at t.
func (s *Set) Adapter(at model.Instant, t float64) *model.Scan {
	oil := s.Oil * (1 - math.Exp(-3*s.Speed(t-oilLag))) / (1 - math.Exp(-3))
	scan := &model.Scan{Group: "adapter", At: at, Samples: []model.Sample{
		model.GoodSample(model.OilPressure, digits(oil, 1000)),
		model.GoodSample(model.BatteryVoltage, digits(s.Battery(t), 0.01))}}
	if s.Pickup {
		scan.Samples = append(scan.Samples, model.GoodSample(model.SpeedPoint, digits(s.Speed(t)*s.Hertz/2, 1./60)))
	}
	if s.Key != NoKey {
		on := 0.0
		if s.Key == KeyStays || t < s.Cut {
			on = 1
		}
		scan.Samples = append(scan.Samples, model.GoodSample(model.KeyOn, on))
	}
	scan.Measured = len(scan.Samples)
	return scan
}

// Points are those that the two read.
func (s *Set) Points() map[model.PointID]model.Point {
	points := map[model.PointID]model.Point{}
	for _, scan := range []*model.Scan{s.Meter(model.Instant{}, 0), s.Adapter(model.Instant{}, 0)} {
		for _, sample := range scan.Samples {
			points[sample.Point] = model.Point{ID: sample.Point}
		}
	}
	return points
}

// Rating is its nameplate: 50 kVA.
func (s *Set) Rating() model.Rating {
	return model.Rating{ApparentPower: 50e3, PowerFactor: 0.8, Voltage: s.Volts * math.Sqrt(3),
		Frequency: s.Hertz, Poles: 4, Battery: 12}
}

// Poll reads meter and adapter in turn, the adapter lag s behind, from phase
// on, until a minute after the shaft is at rest.
func (s *Set) Poll(every, phase, lag float64, each func(scan *model.Scan, t float64)) {
	at := func(t float64) model.Instant {
		return model.Instant{Boot: 1, Offset: time.Duration(t * float64(time.Second))}
	}
	for t := 1 + phase; t < s.Cut+s.Lasts+60; t += every {
		each(s.Meter(at(t), t), t)
		each(s.Adapter(at(t+lag), t+lag), t+lag)
	}
}

func digits(v, digit float64) float64 { return math.Round(v/digit) * digit }
