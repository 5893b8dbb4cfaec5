// Package soak makes up the readings of a soak test, always the same ones: 24
// points of a meter whose registers are decimals held as 32-bit floats, and 8
// of an adapter with integer registers, each group once a second with instants
// that jitter by 3 ms either way. The load steps every 20 to 60 minutes; the
// governor droops and hunts, the regulator dips, the coolant warms up and
// cycles, the fuel sloshes, and everything has noise and is rounded to its
// register's resolution. Stores are compared on it.
//
// A Generator belongs to one goroutine.
package soak

import (
	"math"
	"math/rand/v2"
	"time"

	"tickover/model"
)

// The groups.
const (
	Meter   = "meter/1s"
	Adapter = "adapter/1s"
)

// column is one point: its register's resolution is 1/per.
type column struct {
	id    model.PointID
	per   int64
	value func(*plant) float64
	noise float64 // standard deviation, units of the value
}

// Generator makes scan after scan.
type Generator struct {
	random *rand.Rand
	lags   *rand.Rand // nil when every answer comes at once
	plant  plant
	second int64
}

// New returns a generator that begins at second 0 of boot 1.
func New() *Generator {
	return &Generator{random: rand.New(rand.NewPCG(0x50a4, 0x7e57)), plant: plant{coolant: 288, oil: 288, fuel: 0.92, load: 0.1, target: 0.1}}
}

// NewLate returns a generator of the same readings whose answers take their
// time, as at 19200 Bd: the meter is asked twice and the adapter once, and each
// turns round within 5 to 9 ms, after a while that no one can tell beforehand.
func NewLate() *Generator {
	g := New()
	g.lags = rand.New(rand.NewPCG(0x1a9, 0x7e57))
	return g
}

// Points describes the points for a store.
func Points() map[model.PointID]model.Point {
	points := map[model.PointID]model.Point{}
	for _, c := range meter {
		points[c.id] = model.Point{ID: c.id, Register: model.Register{Type: model.Float32, Resolution: model.Resolution{Num: 1, Den: 1}}}
	}
	for _, c := range adapter {
		points[c.id] = model.Point{ID: c.id, Register: model.Register{Type: model.Uint16, Resolution: model.Resolution{Num: 1, Den: c.per}}}
	}
	return points
}

// Next returns the scans of the next second, the meter's and the adapter's.
func (g *Generator) Next() [2]*model.Scan {
	g.plant.step(g.random)
	base := time.Duration(g.second) * time.Second
	g.second++
	return [2]*model.Scan{
		g.scan(Meter, meter, base+10*time.Millisecond+g.jitter(), func(k, per int64) float64 { return float64(float32(float64(k) / float64(per))) }),
		g.scan(Adapter, adapter, base+400*time.Millisecond+g.jitter(), func(k, per int64) float64 { return float64(k) / float64(per) }),
	}
}

func (g *Generator) jitter() time.Duration {
	return time.Duration(g.random.IntN(7)-3) * time.Millisecond
}

func (g *Generator) scan(group string, columns []column, at time.Duration, value func(k, per int64) float64) *model.Scan {
	s := &model.Scan{Group: group, At: model.Instant{Boot: 1, Offset: at}, Samples: make([]model.Sample, len(columns)), Measured: len(columns)}
	for i, c := range columns {
		x := c.value(&g.plant) + g.random.NormFloat64()*c.noise
		s.Samples[i] = model.GoodSample(c.id, value(int64(math.Round(x*float64(c.per))), c.per))
	}
	if g.lags != nil {
		g.delay(s.Samples)
	}
	return s
}

// request is how many points one question reads: two registers each.
const request = 12

// delay makes points of one request come together, after those before them.
func (g *Generator) delay(samples []model.Sample) {
	var lag time.Duration
	for i := range samples {
		if i%request == 0 {
			n := min(len(samples)-i, request)
			bytes := 8 + 5 + 4*n
			lag += time.Duration(bytes*11*1000/19200)*time.Millisecond + time.Duration(5+g.lags.IntN(5))*time.Millisecond
		}
		samples[i].Lag = lag
	}
}

// plant is the set as far as its readings need it.
type plant struct {
	second                 int
	until                  int // second of the next load step
	load, target, pf       float64
	hunt, dip, hz          float64
	volts                  [3]float64 // slow wander of each phase
	share                  [3]float64
	coolant, oil, fan      float64
	fuel, slosh, energy    float64
	battery, pressureNoise float64
}

func (p *plant) step(r *rand.Rand) {
	if p.second == 0 {
		p.pf, p.share = 1, [3]float64{1, 1.03, 0.97}
	}
	if p.second++; p.second >= p.until {
		p.until = p.second + 1200 + r.IntN(2401)
		before := p.target
		p.target = float64(r.IntN(12)) / 10
		p.pf = []float64{1, 0.9, 0.8}[r.IntN(3)]
		p.dip = -9 * (p.target - before)
	}
	p.load += (p.target - p.load) * 0.6
	p.dip *= 0.4
	p.hunt = 0.97*p.hunt + 0.004*r.NormFloat64()
	p.hz = 52 - 2*p.load + 0.02*math.Sin(float64(p.second)/3.1) + p.hunt + p.dip/15
	for i := range p.volts {
		p.volts[i] = 0.995*p.volts[i] + 0.02*r.NormFloat64()
	}
	heat := 0.25 + p.load
	if p.coolant > 358 {
		p.fan = 1
	} else if p.coolant < 354 {
		p.fan = 0
	}
	p.coolant += heat*0.06 - (p.coolant-288)*0.0006*(1+p.fan)
	p.oil += (p.coolant + 12*p.load - p.oil) * 0.002
	p.fuel -= (0.2 + p.load) * 2.2e-6
	if p.fuel < 0.1 {
		p.fuel = 0.95
	}
	p.slosh = 0.9*p.slosh + 0.001*r.NormFloat64()
	p.battery = 0.999*p.battery + 0.002*r.NormFloat64()
	p.energy += p.power() / 3600
}

const ratedW = 40000

func (p *plant) power() float64              { return ratedW * p.load }
func (p *plant) phasePower(i int) float64    { return p.power() / 3 * p.share[i] }
func (p *plant) phaseVolts(i int) float64    { return 230.5 + p.volts[i] + p.dip - 0.8*p.load*p.share[i] }
func (p *plant) phaseApparent(i int) float64 { return p.phasePower(i) / p.pf }
func (p *plant) reactive(i int) float64 {
	s, w := p.phaseApparent(i), p.phasePower(i)
	return math.Sqrt(max(s*s-w*w, 0))
}

func perPhase(names [3]model.PointID, per int64, noise float64, value func(*plant, int) float64) []column {
	var all []column
	for i, n := range names {
		all = append(all, column{n, per, func(p *plant) float64 { return value(p, i) }, noise})
	}
	return all
}

var meter = func() []column {
	var all []column
	all = append(all, perPhase(model.PhaseVoltages, 10, 0.06, (*plant).phaseVolts)...)
	all = append(all, perPhase(model.LineVoltages, 10, 0.09, func(p *plant, i int) float64 {
		return math.Sqrt(3) * (p.phaseVolts(i) + p.phaseVolts((i+1)%3)) / 2
	})...)
	all = append(all, perPhase(model.PhaseCurrents, 100, 0.02, func(p *plant, i int) float64 { return p.phaseApparent(i) / p.phaseVolts(i) })...)
	all = append(all, perPhase(model.PhaseActive, 1, 8, (*plant).phasePower)...)
	all = append(all, perPhase(model.PhaseReactive, 1, 8, (*plant).reactive)...)
	all = append(all, perPhase(model.PhaseApparent, 1, 8, (*plant).phaseApparent)...)
	all = append(all, perPhase(model.PhasePowerFactor, 1000, 0.0004, func(p *plant, _ int) float64 { return p.pf })...)
	return append(all,
		column{model.PowerActive, 1, (*plant).power, 14},
		column{model.FrequencyPoint, 100, func(p *plant) float64 { return p.hz }, 0.004},
		column{model.EnergyActive, 100, func(p *plant) float64 { return p.energy / 1000 }, 0},
	)
}()

var adapter = []column{
	{model.OilPressure, 10, func(p *plant) float64 { return 12 * math.Round((250+80*p.load-0.9*(p.oil-288))/1.22) * 0.1 }, 0.3},
	{model.CoolantTemperature, 10, func(p *plant) float64 { return p.coolant }, 0.05},
	{model.OilTemperature, 10, func(p *plant) float64 { return p.oil }, 0.05},
	{model.ExhaustTemperature, 1, func(p *plant) float64 { return 420 + 330*p.load }, 0.6},
	{model.AmbientTemperature, 10, func(p *plant) float64 { return 284 + 4*math.Sin(float64(p.second)/13750) }, 0.03},
	{model.BatteryVoltage, 100, func(p *plant) float64 { return 27.6 + p.battery }, 0.006},
	{model.SpeedPoint, 60, func(p *plant) float64 { return p.hz / 2 }, 0.008},
	{model.FuelLevel, 1000, func(p *plant) float64 { return p.fuel + p.slosh }, 0.0004},
}
