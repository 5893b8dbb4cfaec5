package days

import (
	"math"
	"math/cmplx"
	"time"

	"tickover/model"
)

// wakes is how long a meter that the set feeds needs to wake.
const wakes = 2 * time.Second

// Answers reports whether a device answers this round.
func (d *Day) Answers(device Device) bool {
	lost := d.noise.Float64() < device.Lost
	if d.deaf == device.Name || d.cut {
		return false
	}
	return !lost && !(device.SetFed && (d.woken == 0 || d.Now-d.woken < wakes))
}

// Read is what a point shows: the truth, noise, and the register's last digit.
// False means that its sensor shows that it failed.
func (d *Day) Read(p model.PointID) (float64, bool) {
	if d.broken == p {
		return 0, false
	}
	v := d.truth(p)
	n := d.noises(p)
	if v != 0 || n.still {
		v += n.share*v*d.noise.NormFloat64() + n.plain*d.noise.NormFloat64()
	}
	return math.Round(v/n.digit) * n.digit, true
}

// noisy is how a point is measured.
type noisy struct {
	share, plain, digit float64
	still               bool // it has noise at zero as well
}

func (d *Day) noises(p model.PointID) noisy {
	q, _ := model.KnownQuantity(p)
	switch q {
	case model.State:
		return noisy{digit: 1}
	case model.Voltage:
		if p == model.BatteryVoltage {
			return noisy{plain: 0.02, digit: 0.01, still: true}
		}
		return noisy{share: 0.0008, digit: 0.1}
	case model.Current:
		return noisy{share: 0.002, digit: 0.01}
	case model.ActivePower, model.ReactivePower:
		return noisy{share: 0.003, digit: 10}
	case model.Frequency:
		return noisy{plain: 0.005, digit: 0.01}
	case model.Speed:
		return noisy{share: 0.0008, digit: 1.0 / 60}
	case model.Pressure:
		return noisy{plain: 1.5e3, digit: 1e3, still: true}
	case model.Ratio:
		return noisy{plain: 0.002, digit: 0.001}
	case model.Concentration:
		return noisy{plain: 0.5e-6, digit: 1e-6}
	}
	return noisy{plain: 0.15, digit: 0.1, still: true}
}

// truth is what a perfect instrument would show.
func (d *Day) truth(p model.PointID) float64 {
	switch p {
	case model.BatteryVoltage:
		return d.battery * d.Rating.Battery / 12
	case model.OilPressure:
		return d.oil
	case model.OilSwitch:
		return bit(d.oil < 0.5e5)
	case model.CoolantTemperature:
		return d.coolant
	case model.OilTemperature:
		return d.coolant + 8 + d.overoil
	case model.AmbientTemperature:
		return d.ambient
	case model.ExhaustTemperature:
		return d.exhaust
	case model.BearingTemperature:
		return d.ambient + 20*d.speed + d.overbear
	case model.WindingL1:
		return d.winding
	case model.FuelLevel:
		return d.fuel
	case model.SpeedPoint:
		return d.speed * d.Rating.Speed()
	case model.ChargeLamp:
		return bit(d.lamp)
	case model.KeyOn:
		return bit(d.key)
	case model.CoolantLevelSwitch:
		return bit(d.drained)
	case model.EmergencyStop:
		return bit(d.pressed)
	case model.MonoxidePoint:
		return 3e-6 + d.fumes
	case model.NeutralToEarth:
		return 1.5*d.excite + d.earthed
	case model.ResidualCurrent:
		return 0.004*d.excite + d.leak
	}
	return d.electrical(p)
}

func bit(b bool) float64 {
	if b {
		return 1
	}
	return 0
}

// Phases are the voltages to neutral as phasors, V, and the currents, A.
func (d *Day) Phases() (volts, amps [3]complex128) {
	rated := d.Rating.Voltage / math.Sqrt(3)
	mean := d.voltage() * rated
	if d.live > 0 && d.stage == resting {
		mean = d.live
	}
	power := d.load.Power * d.Rating.ActivePower() / 3
	angle := math.Acos(min(math.Abs(d.load.Factor), 1))
	if d.load.Factor < 0 {
		angle = -angle
	}
	on := d.voltage() > 0.3
	for k := range 3 {
		turned := cmplx.Rect(1, -float64(k)*2*math.Pi/3)
		u := mean * (1 - 0.015*(d.load.Share[k]-1)*max(d.load.Power, 0))
		volts[k] = complex(u, 0) * turned
		if !on || mean == 0 {
			continue
		}
		s := power * d.load.Share[k] / max(math.Abs(d.load.Factor), 0.1)
		amps[k] = complex(s/mean, 0) * turned * cmplx.Rect(1, -angle)
	}
	volts[0] *= complex(1-d.apart, 0)
	if d.floating > 0 {
		shift := complex(d.floating*rated, 0)
		for k := range volts {
			volts[k] += shift
		}
	}
	return volts, amps
}

// electrical is what a perfect meter shows.
func (d *Day) electrical(p model.PointID) float64 {
	volts, amps := d.Phases()
	var power complex128
	for k := range 3 {
		power += volts[k] * cmplx.Conj(amps[k])
		switch p {
		case model.PhaseVoltages[k]:
			return cmplx.Abs(volts[k])
		case model.LineVoltages[k]:
			return cmplx.Abs(volts[k] - volts[(k+1)%3])
		case model.PhaseCurrents[k]:
			return cmplx.Abs(amps[k])
		}
	}
	switch p {
	case model.CurrentN:
		return cmplx.Abs(amps[0] + amps[1] + amps[2])
	case model.FrequencyPoint:
		if d.live > 0 && d.stage == resting {
			return d.Rating.Frequency
		}
		if cmplx.Abs(volts[0]) < 30 {
			return 0 // a meter finds no frequency in so little
		}
		return d.speed * d.Rating.Frequency
	case model.PowerActive:
		return real(power)
	case model.PowerReactive:
		return imag(power) + d.capacitive*d.Rating.ApparentPower
	}
	return 0
}
