package plant

import (
	"math"
	"math/cmplx"
	"time"

	"tickover/model"
)

// noiseTick is how long one draw of noise lasts: two reads closer together
// than a meter's refresh see the same value.
const noiseTick = 20 * time.Millisecond

// source is where a point's value comes from.
type source struct {
	read    func(*Plant) float64
	noise   float64 // standard deviation, about the last digit of a usual register
	metered bool    // comes from the meter and goes with it
	signed  bool    // may be negative
}

// sources lists every point the plant serves; nothing changes it.
var sources = func() map[model.PointID]source {
	m := engineSources()
	for id, s := range totalSources() {
		m[id] = s
	}
	for k := range 3 {
		phaseSources(m, k)
	}
	return m
}()

func engineSources() map[model.PointID]source {
	return map[model.PointID]source{
		model.OilPressure: {read: func(p *Plant) float64 { return p.engine.pressure }, noise: 1500},
		model.OilTemperature: {read: func(p *Plant) float64 { return p.heat.oil }, noise: 0.08,
			signed: true},
		model.CoolantTemperature: {read: func(p *Plant) float64 { return p.heat.sensor },
			noise: 0.08, signed: true},
		model.AmbientTemperature: {read: func(p *Plant) float64 { return p.heat.ambient },
			noise: 0.08, signed: true},
		model.ExhaustTemperature: {read: func(p *Plant) float64 { return p.heat.exhaust },
			noise: 0.8, signed: true},
		model.BatteryVoltage: {read: func(p *Plant) float64 { return p.battery.volts() },
			noise: 0.012},
		model.SpeedPoint: {
			read:  func(p *Plant) float64 { return p.engine.speed * p.rating.Speed() },
			noise: 0.7 / 60},
		model.FuelLevel:  {read: func(p *Plant) float64 { return p.heat.fuel }, noise: 0.0008},
		model.OilSwitch:  {read: func(p *Plant) float64 { return flag(p.engine.pressure < 0.4e5) }},
		model.ChargeLamp: {read: func(p *Plant) float64 { return flag(p.battery.lamp) }},
		model.KeyOn:      {read: func(p *Plant) float64 { return flag(p.key) }},
	}
}

func totalSources() map[model.PointID]source {
	total := func(f func(complex128) float64) func(*Plant) float64 {
		return func(p *Plant) float64 { return f(p.meter.total()) }
	}
	apparent := func(p *Plant) float64 {
		return cmplx.Abs(p.meter.power(0)) + cmplx.Abs(p.meter.power(1)) + cmplx.Abs(
			p.meter.power(2))
	}
	return map[model.PointID]source{
		model.FrequencyPoint: {read: func(p *Plant) float64 { return p.meter.frequency },
			noise: 0.008, metered: true},
		model.CurrentN: {
			read:  func(p *Plant) float64 { return noCreep(cmplx.Abs(p.meter.neutral)) },
			noise: 0.02, metered: true},
		model.PowerActive: {read: total(func(s complex128) float64 { return real(s) }), noise: 12,
			metered: true, signed: true},
		model.PowerReactive: {read: total(func(s complex128) float64 { return imag(s) }), noise: 12,
			metered: true, signed: true},
		model.PowerApparent: {read: apparent, noise: 12, metered: true},
		model.PowerFactorTotal: {read: func(p *Plant) float64 {
			if s := apparent(p); s >= 1 {
				return real(p.meter.total()) / s
			}
			return 1
		}, noise: 0.0006, metered: true, signed: true},
		model.EnergyActive: {read: func(p *Plant) float64 { return p.meter.energy }, metered: true},
	}
}

func phaseSources(m map[model.PointID]source, k int) {
	m[model.PhaseVoltages[k]] = source{read: func(p *Plant) float64 { return p.meter.volts(k) },
		noise: 0.1, metered: true}
	m[model.LineVoltages[k]] = source{read: func(p *Plant) float64 { return p.meter.line(k) },
		noise: 0.15, metered: true}
	m[model.PhaseCurrents[k]] = source{read: func(p *Plant) float64 { return p.meter.amps(k) },
		noise: 0.015, metered: true}
	m[model.PhaseActive[k]] = source{read: func(p *Plant) float64 { return real(p.meter.power(k)) },
		noise: 6, metered: true, signed: true}
	m[model.PhaseReactive[k]] = source{
		read: func(p *Plant) float64 { return imag(p.meter.power(k)) }, noise: 6, metered: true,
		signed: true}
	m[model.PhaseApparent[k]] = source{
		read: func(p *Plant) float64 { return cmplx.Abs(p.meter.power(k)) }, noise: 6,
		metered: true}
	m[model.PhasePowerFactor[k]] = source{
		read: func(p *Plant) float64 { return factor(p.meter.power(k)) }, noise: 0.0006,
		metered: true, signed: true}
}

func flag(on bool) float64 {
	if on {
		return 1
	}
	return 0
}

// Value returns what the instrument of a point shows now, in the canonical
// unit of the point's quantity, with noise of about one digit of a usual
// register but not rounded to it. It reports false for a point the plant does
// not have, a dead sensor, and a meter without supply.
func (p *Plant) Value(id model.PointID) (float64, bool) {
	s, ok := sources[id]
	if !ok || p.dead[id] || s.metered && !p.meter.on() {
		return 0, false
	}
	v := s.read(p)
	if v == 0 && (s.metered || id == model.SpeedPoint) {
		return 0, true // below an instrument's threshold there is no noise either
	}
	v += s.noise * p.normal(id)
	if !s.signed {
		v = max(v, 0)
	}
	if id == model.FuelLevel || s.metered && s.noise == 0.0006 {
		v = min(v, 1)
	}
	return v, true
}

// Points lists every point the plant can give a value for, in no order.
func Points() []model.PointID {
	ids := make([]model.PointID, 0, len(sources))
	for id := range sources {
		ids = append(ids, id)
	}
	return ids
}

// normal draws noise that depends on nothing but the plant's number, the point
// and the time, so that reading more or fewer points changes no value.
func (p *Plant) normal(id model.PointID) float64 {
	h := mix(p.base ^ uint64(p.now/noiseTick)*0x9e3779b97f4a7c15)
	for i := range len(id) {
		h = mix(h ^ uint64(id[i]))
	}
	a := (float64(h>>11) + 0.5) / (1 << 53)
	b := float64(mix(h)>>11) / (1 << 53)
	return math.Sqrt(-2*math.Log(a)) * math.Cos(2*math.Pi*b)
}

// mix is the finaliser of SplitMix64 (Steele, Lea, Flood 2014).
func mix(x uint64) uint64 {
	x += 0x9e3779b97f4a7c15
	x = (x ^ x>>30) * 0xbf58476d1ce4e5b9
	x = (x ^ x>>27) * 0x94d049bb133111eb
	return x ^ x>>31
}
