package steady

import (
	"math"
	"slices"

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

// Monitor follows a running set scan by scan and judges whether it is steady. Create it with
// NewMonitor. It keeps five minutes of a few points.
type Monitor struct {
	rating        model.Rating
	boot          uint32
	now           float64 // s on the boot's clock
	frequency     history
	voltages      [6]history // L1-N.. then L1-L2..
	voltage       history    // mean of the phases
	coolant, oil  history
	power         float64 // W, the load held
	powered       bool    // power was ever read
	since         float64 // s since when the load is held at rated speed
	rated         bool
	readiness     model.Readiness
	aliveF, fresh bool // the scan brought a frequency, a voltage
}

// NewMonitor returns a Monitor for a set of the given rating.
func NewMonitor(r model.Rating) *Monitor {
	m := &Monitor{rating: r}
	m.clear()
	return m
}

func (m *Monitor) clear() {
	m.frequency, m.voltage = history{over: quietTime}, history{over: quietTime}
	m.voltages = [6]history{}
	for i := range m.voltages {
		m.voltages[i].over = quietTime
	}
	m.coolant, m.oil = history{over: levelTime, every: slowestNeeded}, history{over: levelTime,
		every: slowestNeeded}
	m.rated = false
}

// Step takes one scan with its derived points, the engine state and the texts of the active
// alarms. It returns the judgement and appends it to the scan as derived points: mean (Hz, V)
// and swing of frequency and voltage over 10 s, step.ready (0 or 1) and step.ready.left (s).
func (m *Monitor) Step(scan *model.Scan, state model.EngineState, alarms []string) model.Readiness {
	if scan.At.Boot != m.boot {
		m.clear()
		m.boot, m.now = scan.At.Boot, 0
	}
	m.now = max(m.now, scan.At.Offset.Seconds())
	m.follow(state)
	m.take(scan)
	m.readiness = m.judge(state, alarms)
	m.append(scan)
	return m.readiness
}

// Last returns the judgement of the last Step.
func (m *Monitor) Last() model.Readiness { return m.readiness }

// follow begins the hold when rated speed is reached.
func (m *Monitor) follow(state model.EngineState) {
	now := state.AtRatedSpeed()
	if now && !m.rated {
		m.since, m.powered = m.now, false
		m.clear() // the rise during the run-up is not a drift
	}
	m.rated = now
}

// take keeps the scan's good readings.
func (m *Monitor) take(scan *model.Scan) {
	m.aliveF, m.fresh = false, false
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
			m.frequency.add(t, s.Value)
			m.aliveF = true
		case model.CoolantTemperature:
			m.coolant.add(t, s.Value)
		case model.OilPressure:
			m.oil.add(t, s.Value)
		case model.PowerActive:
			m.carry(s.Value)
		default:
			if k := slices.Index(voltages, s.Point); k >= 0 {
				m.voltages[k].add(t, s.Value)
				if k < 3 || len(m.voltages[0].r) == 0 {
					sum, count = sum+s.Value, count+1
				}
			}
		}
	}
	if count > 0 {
		m.voltage.add(at, sum/count)
		m.fresh = true
	}
}

// StepThreshold is the change of load in W that counts as a load step of a set of this
// rating: 5 % of rated power or 1 kW, whichever is less; 1 kW without a rated power (derived).
func StepThreshold(r model.Rating) float64 {
	if p := r.ActivePower(); p > 0 {
		return min(0.05*p, 1000)
	}
	return 1000
}

// voltages are the points that are watched: the phases to neutral, then phase to phase.
var voltages = slices.Concat(model.PhaseVoltages[:], model.LineVoltages[:])

// carry restarts the hold when the load has changed by a step.
func (m *Monitor) carry(power float64) {
	if m.powered && math.Abs(power-m.power) < StepThreshold(m.rating) {
		return
	}
	if m.powered {
		m.since = m.now
	}
	m.power, m.powered = power, true
}

// judge goes through the criteria.
func (m *Monitor) judge(state model.EngineState, alarms []string) model.Readiness {
	r := model.Readiness{Frequency: m.frequency.swing(m.now), Voltage: m.voltage.swing(m.now)}
	if !state.AtRatedSpeed() {
		r.Unmet = append(r.Unmet, "The set is not at rated speed")
		return r
	}
	c := criteria{now: m.now, r: &r}
	c.quiet(&m.frequency, "Frequency", "Hz", quietHertz)
	for k := range m.voltages {
		if len(m.voltages[k].r) > 0 && (k < 3 || len(m.voltages[0].r) == 0) {
			mean, _ := m.voltages[k].since(m.now - quietTime)
			c.quiet(&m.voltages[k], voltageNames[k], "V", quietVolts*mean)
		}
	}
	if len(m.voltage.r) == 0 {
		c.miss("No voltage is measured", -1)
	}
	held := m.now - m.since
	r.Held = seconds(held)
	r.Settled = len(r.Unmet) == 0 && held >= quietTime
	if !m.powered {
		r.Unasked = append(r.Unasked,
			"Active power is not measured: a load change shows only in frequency and voltage")
	}
	if held < holdTime {
		c.miss("Load unchanged for "+clock(held)+" of "+clock(holdTime), holdTime-held)
	}
	c.level(&m.coolant, "Coolant temperature", levelCoolant, 1, "K")
	c.level(&m.oil, "Oil pressure", levelOil, 1e-5, "bar")
	for _, a := range alarms {
		c.miss("Alarm: "+a, -1)
	}
	c.close()
	return r
}

var voltageNames = [6]string{
	"Voltage L1", "Voltage L2", "Voltage L3", "Voltage L1-L2", "Voltage L2-L3", "Voltage L3-L1",
}

// append writes what was found as derived points.
func (m *Monitor) append(scan *model.Scan) {
	swing := func(there bool, s model.Swing, mean, width model.PointID) {
		switch {
		case !there:
		case s.Known:
			scan.Samples = append(scan.Samples, model.GoodSample(mean, s.Mean),
				model.GoodSample(width, s.Width))
		default:
			scan.Samples = append(scan.Samples, model.BadSample(mean, model.Undefined),
				model.BadSample(width, model.Undefined))
		}
	}
	swing(m.aliveF, m.readiness.Frequency, model.FrequencyMean, model.FrequencySwing)
	swing(m.fresh, m.readiness.Voltage, model.VoltageMean, model.VoltageSwing)
	ready, left := 0.0, model.GoodSample(model.StepReadyLeft, m.readiness.Left.Seconds())
	if m.readiness.Ready {
		ready = 1
	} else if m.readiness.Left == 0 {
		left = model.BadSample(model.StepReadyLeft, model.Undefined)
	}
	scan.Samples = append(scan.Samples, model.GoodSample(model.StepReady, ready), left)
}
