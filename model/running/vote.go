package running

import (
	"math"
	"time"

	"tickover/model"
)

// Weights of the votes. A signal that something moves weighs more than a
// signal that nothing does, for most sensors fail towards zero.
const (
	dipVote      = 8 // nothing but a starter draws so much
	speedVote    = 5
	standVote    = 3 // a speed pickup at zero
	voltsVote    = 3
	oilVote      = 2
	hertzVote    = 2
	slightVote   = 1
	decisiveVote = 3 // enough to leave the unknown state at once
)

// vote is one point's opinion on one question.
type vote struct {
	point  model.PointID
	weight int // positive for yes
	value  float64
}

// votes are all opinions on one question.
type votes []vote

func (p *votes) cast(point model.PointID, value float64, weight int) {
	if weight != 0 {
		*p = append(*p, vote{point, weight, value})
	}
}

func (p votes) sum() (sum int) {
	for _, v := range p {
		sum += v.weight
	}
	return sum
}

// side counts the points on the winning side, and those of them that spoke in
// this very scan.
func (p votes) side(in *inputs) (points, fresh int) {
	sum := p.sum()
	for _, v := range p {
		if v.weight*sum > 0 {
			points++
			if in.fresh(v.point) {
				fresh++
			}
		}
	}
	return points, fresh
}

// grade is the weight for a value: yes from the upper limit, no below the
// lower one, nothing between.
func grade(v, no, yes float64, weightNo, weightYes int) int {
	switch {
	case v >= yes:
		return weightYes
	case v < no:
		return -weightNo
	}
	return 0
}

// view is what the signals say at one scan.
type view struct {
	turning, firing votes
	rate            float64 // of rated speed; meaningless unless seen
	seen            bool
	by              model.PointID // which point the rate comes from
	load            loadSeen
	dip             bool
	discharges      bool // the battery was charged of late and is no longer
	in              *inputs
	figures         *thresholds
}

// look collects the votes.
func (e *Engine) look() view {
	v := view{in: &e.inputs, figures: &e.thresholds, dip: e.battery.dip,
		discharges: e.battery.discharges()}
	v.askSpeed()
	v.askMeter()
	v.askOil()
	v.askBattery(e.battery, e.before, e.state)
	v.askLamp()
	v.findRate()
	v.findLoad(e.state == model.Loaded)
	e.pace.follow(&v)
	v.askOilAfter(&e.pace)
	return v
}

// excludes reports whether this scan excludes running by itself, in
// a state that is none of running: the pickup shows no more than a starter
// does, or nothing charges the battery. Silence does not, and neither does what
// looks the same on a running engine that lacks oil: no pressure, a lit lamp, a
// meter still dark.
func (v *view) excludes(state model.EngineState, b battery) bool {
	speed, known := v.in.get(model.SpeedPoint)
	slow := known && v.in.fresh(model.SpeedPoint) && speed < firesAbove*v.figures.speed
	rests := b.known && v.in.fresh(model.BatteryVoltage) && (b.dip || b.volts < notCharging*b.scale)
	asked := v.in.ever(model.SpeedPoint) || v.in.ever(model.BatteryVoltage)
	return slow || rests || !asked && state != model.EngineUnknown
}

func (v *view) askSpeed() {
	if s, ok := v.in.get(model.SpeedPoint); ok {
		v.turning.cast(model.SpeedPoint, s, grade(s, standsBelow, turnsAbove, standVote, speedVote))
		v.firing.cast(model.SpeedPoint, s,
			grade(s/v.figures.speed, cranksBelow, firesAbove, standVote, standVote))
	}
}

// askMeter takes voltage as a sign of turning but its absence only slightly as
// a sign of rest: the excitation may be off.
func (v *view) askMeter() {
	if u, id := v.in.volts(); id != "" {
		v.turning.cast(id, u, grade(u, deadVolts, liveVolts, slightVote, voltsVote))
		v.firing.cast(id, u, grade(u/v.figures.volts, excited/2, excited, slightVote, voltsVote))
	}
	if f, ok := v.hertz(); ok {
		v.turning.cast(model.FrequencyPoint, f, grade(f, 0, 0.1*v.figures.frequency, 0, hertzVote))
		v.firing.cast(model.FrequencyPoint, f,
			grade(f/v.figures.frequency, 0, firesAbove, 0, hertzVote))
	}
	if p, ok := v.in.get(model.PowerActive); ok && p > v.figures.load {
		v.turning.cast(model.PowerActive, p, slightVote)
		v.firing.cast(model.PowerActive, p, slightVote)
	}
}

// frozenAfter is how long a frequency may stay the same to the last digit and
// count without a voltage next to it.
const frozenAfter = 10 * time.Second

// hertz is the frequency, if it is alive: some meters hold the last value when
// the voltage is gone.
func (v *view) hertz() (float64, bool) {
	f, ok := v.in.get(model.FrequencyPoint)
	if !ok || f <= 0 {
		return 0, false
	}
	if u, id := v.in.volts(); id != "" {
		return f, u >= liveVolts
	}
	return f, !v.in.frozen(model.FrequencyPoint, frozenAfter)
}

func (v *view) askOil() {
	if p, ok := v.in.get(model.OilPressure); ok {
		v.turning.cast(model.OilPressure, p, grade(p, oilStands, oilTurns, oilVote, oilVote))
	}
}

// askOilAfter takes a pressure that falls with the voltage as a sign that the
// engine no longer runs by itself. Without the voltage's fall it is no sign: an
// engine that loses its oil runs on for a while.
func (v *view) askOilAfter(p *pace) {
	o, ok := v.in.get(model.OilPressure)
	switch {
	case !ok:
	case v.seen:
		p.oil = o
	case p.gone && o < oilSinks*p.oil:
		v.firing.cast(model.OilPressure, o, -slightVote)
	}
}

// askBattery takes a dip for the starter. A high voltage counts only when the
// engine was turned before: a mains charger floats at the same.
func (v *view) askBattery(b battery, before, state model.EngineState) {
	switch {
	case !b.known:
	case b.dip:
		v.turning.cast(model.BatteryVoltage, b.volts, dipVote)
	case b.volts < notCharging*b.scale:
		v.turning.cast(model.BatteryVoltage, b.volts, -slightVote)
	case b.charges() && (state.Turning() ||
		state == model.EngineUnknown && before != model.Standstill):
		v.turning.cast(model.BatteryVoltage, b.volts, slightVote)
		v.firing.cast(model.BatteryVoltage, b.volts, slightVote)
	}
}

// askLamp reads the charge lamp, which is meaningful only with the key on.
func (v *view) askLamp() {
	lamp, ok := v.in.get(model.ChargeLamp)
	key, known := v.in.get(model.KeyOn)
	if !ok {
		return
	}
	weight := 0
	if lamp != 0 {
		weight = -slightVote
	} else if known && key != 0 {
		weight = slightVote
	}
	v.turning.cast(model.ChargeLamp, lamp, weight)
	v.firing.cast(model.ChargeLamp, lamp, weight)
}

// findRate takes the speed from the best witness: a live frequency, else the
// pickup, else the voltage.
func (v *view) findRate() {
	u, id := v.in.volts()
	strong := id != "" && u >= excited*v.figures.volts
	if f, ok := v.hertz(); ok && (strong || id == "") {
		v.rate, v.seen, v.by = f/v.figures.frequency, true, model.FrequencyPoint
		return
	}
	if s, ok := v.in.get(model.SpeedPoint); ok {
		v.rate, v.seen, v.by = s/v.figures.speed, true, model.SpeedPoint
		return
	}
	if strong {
		v.rate, v.seen, v.by = u/v.figures.volts, true, id
	}
}

// loadSeen is whether load is known, and by which point.
type loadSeen struct {
	known, on bool
	by        model.PointID
	value     float64
}

// findLoad compares power, else current, with the rating, with hysteresis.
func (v *view) findLoad(was bool) {
	limit := 1.0
	if was {
		limit = loadedBelow / loadedAbove
	}
	// Magnitudes count: a reversed current transformer makes power negative.
	total, known := v.in.get(model.PowerActive)
	carried, phases := 0.0, 0
	for _, id := range model.PhaseActive {
		if p, ok := v.in.get(id); ok {
			carried, phases = carried+math.Abs(p), phases+1
		}
	}
	switch carried = max(carried, math.Abs(total)); {
	case known:
	case phases == len(model.PhaseActive):
		total = carried
	default:
		v.loadByCurrent(limit)
		return
	}
	v.load = loadSeen{true, carried >= limit*v.figures.load, model.PowerActive, total}
}

func (v *view) loadByCurrent(limit float64) {
	if a, id := v.in.highest(model.PhaseCurrents[:]); id != "" {
		v.load = loadSeen{true, a >= limit*v.figures.amps, id, a}
	}
}
