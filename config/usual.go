package config

import "tickover/model"

// usualWindow is what a point can show at all when the configuration does not say
// what is plausible: far beyond every limit, and inside what a register shows
// whose wire is broken or whose answer is garbled. Both zero means that nothing
// is known. Common practice, save absolute zero and a vacuum.
func usualWindow(p model.PointID) (low, high float64) {
	switch p {
	case model.CoolantTemperature, model.OilTemperature, model.BearingTemperature:
		return -60, 200 // °C
	case model.WindingL1, model.WindingL2, model.WindingL3:
		return -60, 300 // the insulation is gone far below that
	case model.AmbientTemperature:
		return -60, 100
	case model.ExhaustTemperature:
		return -60, 1200
	case model.OilPressure:
		return -1e5, 30e5 // Pa
	case model.BatteryVoltage:
		return -1, 120 // V; a load dump of a 12 V charger reaches 100
	case model.SpeedPoint:
		return 0, 100 // 1/s
	case model.MonoxidePoint:
		return -50e-6, 0.01 // m³/m³
	case model.FuelLevel:
		return -0.1, 1.2
	}
	return 0, 0
}
