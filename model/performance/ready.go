package performance

import (
	"math"
	"time"

	"tickover/model"
)

// The rule of the next step (derived): frequency and voltage quiet for a
// minute, coolant and oil level for five, the load held for five.
const (
	quietTime     = 60.0  // s over which frequency and voltage must be quiet
	quietHertz    = 0.1   // Hz, standard deviation
	quietVolts    = 0.005 // standard deviation over mean
	levelTime     = 300.0 // s over which coolant and oil must be level
	levelCoolant  = 0.5   // K in levelTime
	levelOil      = 5000  // Pa in levelTime
	holdTime      = 300.0 // s since the load was changed
	settingTime   = 10.0  // s that the setting aid looks back
	patience      = 15.0  // s without a reading after which a value is not known
	slowestNeeded = 1.0   // s between the readings kept of coolant and oil
)

// Watch follows a running set scan by scan and says whether it stands steady.
// Create it with NewWatch. It keeps five minutes of a few points.
type Watch struct {
	rating        model.Rating
	boot          uint32
	now           float64 // s on the boot's clock
	frequency     memory
	voltages      [6]memory // L1-N.. then L1-L2..
	voltage       memory    // mean of the phases
	coolant, oil  memory
	power         float64 // W, the load held
	powered       bool    // power was ever read
	since         float64 // s since when the load is held at rated speed
	rated         bool
	readiness     model.Readiness
	aliveF, fresh bool // the scan brought a frequency, a voltage
}

// NewWatch returns a Watch for a set of the given rating.
func NewWatch(r model.Rating) *Watch {
	w := &Watch{rating: r}
	w.clear()
	return w
}

func (w *Watch) clear() {
	w.frequency, w.voltage = memory{over: quietTime}, memory{over: quietTime}
	w.voltages = [6]memory{}
	for i := range w.voltages {
		w.voltages[i].over = quietTime
	}
	w.coolant, w.oil = memory{over: levelTime, every: slowestNeeded}, memory{over: levelTime, every: slowestNeeded}
	w.rated = false
}

// Step takes one scan, derived points included, the engine state and the
// active alarms in words. What it learns is appended to the scan as derived
// points, and returned.
func (w *Watch) Step(scan *model.Scan, state model.EngineState, alarms []string) model.Readiness {
	if scan.At.Boot != w.boot {
		w.clear()
		w.boot, w.now = scan.At.Boot, 0
	}
	w.now = max(w.now, scan.At.Offset.Seconds())
	w.follow(state)
	w.take(scan)
	w.readiness = w.judge(state, alarms)
	w.append(scan)
	return w.readiness
}

// Last returns what the last step found.
func (w *Watch) Last() model.Readiness { return w.readiness }

// follow begins the hold when rated speed is reached.
func (w *Watch) follow(state model.EngineState) {
	now := atRated(state)
	if now && !w.rated {
		w.since, w.powered = w.now, false
		w.clear() // how everything rose on the way is no drift
	}
	w.rated = now
}

// take keeps the scan's good readings.
func (w *Watch) take(scan *model.Scan) {
	w.aliveF, w.fresh = false, false
	sum, count := 0.0, 0.0
	at := scan.At.Offset.Seconds()
	for i := range scan.Samples {
		s := &scan.Samples[i]
		if s.Quality != model.Good || math.IsNaN(s.Value) || math.IsInf(s.Value, 0) {
			continue
		}
		t := at + s.Lag.Seconds()
		switch s.Point {
		case model.FrequencyPoint:
			w.frequency.add(t, s.Value)
			w.aliveF = true
		case model.CoolantTemperature:
			w.coolant.add(t, s.Value)
		case model.OilPressure:
			w.oil.add(t, s.Value)
		case model.PowerActive:
			w.carry(s.Value)
		default:
			if k, ok := voltageIndex(s.Point); ok {
				w.voltages[k].add(t, s.Value)
				if k < 3 || len(w.voltages[0].r) == 0 {
					sum, count = sum+s.Value, count+1
				}
			}
		}
	}
	if count > 0 {
		w.voltage.add(at, sum/count)
		w.fresh = true
	}
}

func voltageIndex(p model.PointID) (int, bool) {
	for k := range 3 {
		switch p {
		case model.PhaseVoltages[k]:
			return k, true
		case model.LineVoltages[k]:
			return 3 + k, true
		}
	}
	return 0, false
}

// carry begins the hold anew when the load has moved by a step.
func (w *Watch) carry(power float64) {
	if w.powered && math.Abs(power-w.power) < stepThreshold(w.rating) {
		return
	}
	if w.powered {
		w.since = w.now
	}
	w.power, w.powered = power, true
}

// judge goes through the criteria.
func (w *Watch) judge(state model.EngineState, alarms []string) model.Readiness {
	r := model.Readiness{Frequency: w.frequency.swing(w.now), Voltage: w.voltage.swing(w.now)}
	if !atRated(state) {
		r.Unmet = append(r.Unmet, "the set is not at rated speed and voltage")
		return r
	}
	c := criteria{now: w.now, r: &r}
	c.quiet(&w.frequency, "frequency", "Hz", quietHertz, 1)
	for k := range w.voltages {
		if len(w.voltages[k].r) > 0 && (k < 3 || len(w.voltages[0].r) == 0) {
			mean, _ := w.voltages[k].since(w.now - quietTime)
			c.quiet(&w.voltages[k], voltageNames[k], "V", quietVolts*mean, 1)
		}
	}
	if len(w.voltage.r) == 0 {
		c.miss("no voltage is read", -1)
	}
	held := w.now - w.since
	r.Held = seconds(held)
	r.Settled = len(r.Unmet) == 0 && held >= quietTime
	if !w.powered {
		r.Unasked = append(r.Unasked, "active power is not read: a change of load shows only in frequency and voltage")
	}
	if held < holdTime {
		c.miss("the load is held for "+clock(held)+" of "+clock(holdTime), holdTime-held)
	}
	c.level(&w.coolant, "coolant", levelCoolant, 1, "K", "coolant temperature")
	c.level(&w.oil, "oil pressure", levelOil, 1e-5, "bar", "oil pressure")
	for _, a := range alarms {
		c.miss("alarm: "+a, -1)
	}
	c.close()
	return r
}

var voltageNames = [6]string{"voltage L1", "voltage L2", "voltage L3", "voltage L1-L2", "voltage L2-L3", "voltage L3-L1"}

// append writes what was found as derived points.
func (w *Watch) append(scan *model.Scan) {
	swing := func(there bool, s model.Swing, mean, width model.PointID) {
		switch {
		case !there:
		case s.Known:
			scan.Samples = append(scan.Samples, model.GoodSample(mean, s.Mean), model.GoodSample(width, s.Width))
		default:
			scan.Samples = append(scan.Samples, model.BadSample(mean, model.Undefined), model.BadSample(width, model.Undefined))
		}
	}
	swing(w.aliveF, w.readiness.Frequency, model.FrequencyMean, model.FrequencySwing)
	swing(w.fresh, w.readiness.Voltage, model.VoltageMean, model.VoltageSwing)
	ready, left := 0.0, model.GoodSample(model.StepReadyLeft, w.readiness.Left.Seconds())
	if w.readiness.Ready {
		ready = 1
	} else if w.readiness.Left == 0 {
		left = model.BadSample(model.StepReadyLeft, model.Undefined)
	}
	scan.Samples = append(scan.Samples, model.GoodSample(model.StepReady, ready), left)
}

// clock writes s as a person counts them.
func clock(s float64) string { return model.Lasting(time.Duration(s) * time.Second) }
