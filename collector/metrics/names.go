package metrics

import (
	"strings"

	"tickover/model"
)

// measured is one metric that shows well-known points.
type measured struct {
	name, help string
	counter    bool
	label      string                   // "" for a metric of one point
	points     map[model.PointID]string // each with its label's value
	// low and high are the names of the lowest and the highest value since the
	// scrape before; empty for a metric without.
	low, high string
}

var (
	phases = [3]string{"L1", "L2", "L3"}
	lines  = [3]string{"L1-L2", "L2-L3", "L3-L1"}
)

// byPhase gives the three points of a quantity their labels.
func byPhase(ids [3]model.PointID, names [3]string) map[model.PointID]string {
	m := map[model.PointID]string{}
	for i, id := range ids {
		m[id] = names[i]
	}
	return m
}

// wellKnown lists the metrics of the well-known points. Names never change:
// other people's dashboards depend on them.
func wellKnown() []measured {
	currents := byPhase(model.PhaseCurrents, phases)
	currents[model.CurrentN] = "N"
	return withExtremes(append(single(),
		many("genset_phase_voltage_volts", "Voltage from a phase to neutral.", "phase", byPhase(model.PhaseVoltages, phases)),
		many("genset_line_voltage_volts", "Voltage between two phases.", "phases", byPhase(model.LineVoltages, lines)),
		many("genset_current_amperes", "Current in a phase or in the neutral.", "phase", currents),
		many("genset_winding_temperature_celsius", "Temperature of an alternator winding.", "phase", byPhase(model.Windings, phases)),
		many("genset_phase_active_power_watts", "Active power of a phase.", "phase", byPhase(model.PhaseActive, phases)),
		many("genset_phase_reactive_power_vars", "Reactive power of a phase.", "phase", byPhase(model.PhaseReactive, phases)),
		many("genset_phase_apparent_power_voltamperes", "Apparent power of a phase.", "phase", byPhase(model.PhaseApparent, phases)),
		many("genset_phase_power_factor_ratio", "Power factor of a phase, signed as the meter gives it.", "phase", byPhase(model.PhasePowerFactor, phases)),
	))
}

// withExtremes names the lowest and the highest of what can dip or leap
// between two scrapes.
func withExtremes(all []measured) []measured {
	for i := range all {
		m := &all[i]
		switch m.name {
		case "genset_phase_voltage_volts", "genset_line_voltage_volts", "genset_current_amperes", "genset_frequency_hertz",
			"genset_active_power_watts", "genset_oil_pressure_pascals", "genset_battery_voltage_volts", "genset_speed_revolutions_per_second":
			quantity, unit := parted(m.name)
			m.low, m.high = quantity+"_min_"+unit, quantity+"_max_"+unit
		}
	}
	return all
}

// parted parts a name before its unit.
func parted(name string) (quantity, unit string) {
	at := strings.LastIndex(name, "_")
	if i := strings.Index(name, "_revolutions_per_second"); i >= 0 {
		at = i
	}
	return name[:at], name[at+1:]
}

func many(name, help, label string, points map[model.PointID]string) measured {
	return measured{name: name, help: help, label: label, points: points}
}

func single() []measured {
	one := func(p model.PointID, name, help string) measured {
		return many(name, help, "", map[model.PointID]string{p: ""})
	}
	energy := one(model.EnergyActive, "genset_energy_joules_total", "Active energy by the meter's counter.")
	energy.counter = true
	written := one(model.HostCardWritten, "tickover_host_card_written_bytes_total", "Bytes written to the card since the boot.")
	written.counter = true
	return []measured{
		energy,
		one(model.FrequencyPoint, "genset_frequency_hertz", "Frequency of the voltage."),
		one(model.PowerActive, "genset_active_power_watts", "Active power of all phases."),
		one(model.PowerReactive, "genset_reactive_power_vars", "Reactive power of all phases."),
		one(model.PowerApparent, "genset_apparent_power_voltamperes", "Apparent power of all phases."),
		one(model.PowerFactorTotal, "genset_power_factor_ratio", "Power factor of all phases, signed as the meter gives it."),
		one(model.OilPressure, "genset_oil_pressure_pascals", "Engine oil pressure, gauge."),
		one(model.OilTemperature, "genset_oil_temperature_celsius", "Engine oil temperature."),
		one(model.CoolantTemperature, "genset_coolant_temperature_celsius", "Coolant temperature."),
		one(model.AmbientTemperature, "genset_ambient_temperature_celsius", "Air temperature at the set."),
		one(model.ExhaustTemperature, "genset_exhaust_temperature_celsius", "Exhaust gas temperature."),
		one(model.BatteryVoltage, "genset_battery_voltage_volts", "Starter battery voltage."),
		one(model.SpeedPoint, "genset_speed_revolutions_per_second", "Engine speed."),
		one(model.FuelLevel, "genset_fuel_level_ratio", "Fuel in the tank, 1 is full."),
		one(model.MonoxidePoint, "genset_co_ratio", "Carbon monoxide in the air at the set by volume, 1e-6 is 1 ppm. No certified CO alarm."),
		one(model.OilSwitch, "genset_oil_switch_state", "Oil pressure switch, 1 means pressure is low."),
		one(model.ChargeLamp, "genset_charge_lamp_state", "Charging lamp, 1 means lit, not charging."),
		one(model.KeyOn, "genset_key_state", "Ignition key, 1 means on."),
		one(model.BearingTemperature, "genset_bearing_temperature_celsius", "Alternator bearing temperature."),
		one(model.CoolantLevelSwitch, "genset_coolant_level_switch_state", "Coolant level switch, 1 means level is low."),
		one(model.EmergencyStop, "genset_emergency_stop_state", "Emergency stop, 1 means operated."),
		one(model.BreakerClosed, "genset_breaker_closed_state", "Auxiliary contact of the breaker, 1 means closed."),
		one(model.ResidualCurrent, "genset_residual_current_amperes", "Residual current of all live conductors."),
		one(model.NeutralToEarth, "genset_neutral_earth_voltage_volts", "Voltage from neutral to protective earth."),
		one(model.LoadRatio, "genset_load_ratio", "Active power over the rated one."),
		one(model.LoadApparentRatio, "genset_load_apparent_ratio", "Highest phase current over the rated one."),
		one(model.VoltageUnbalance, "genset_voltage_unbalance_ratio", "Voltage unbalance by NEMA MG 1, from line voltages."),
		one(model.CurrentUnbalance, "genset_current_unbalance_ratio", "Current unbalance in the form of NEMA MG 1."),
		one(model.NegativeVoltage, "genset_negative_sequence_voltage_ratio", "Negative over positive sequence voltage, from magnitudes."),
		one(model.NegativeCurrent, "genset_negative_sequence_current_ratio", "Estimated negative sequence current over rated current."),
		one(model.NeutralEstimate, "genset_neutral_current_estimate_amperes", "Neutral current estimated from the phase currents."),
		one(model.ZeroSequenceVoltage, "genset_zero_sequence_voltage_volts", "Shift of the neutral."),
		one(model.VoltsPerHertzRatio, "genset_volts_per_hertz_ratio", "Volts per hertz over the rated ones."),
		one(model.HostTemperature, "tickover_host_temperature_celsius", "Temperature of the small computer's processor."),
		one(model.HostUndervoltage, "tickover_host_undervoltage_state", "1 while the small computer's supply is too low."),
		one(model.HostUndervoltageSeen, "tickover_host_undervoltage_seen_state", "1 when the supply was too low since the boot."),
		one(model.HostThrottled, "tickover_host_throttled_state", "1 while the small computer is slowed down by heat or supply."),
		one(model.HostCardWear, "tickover_host_card_wear_ratio", "Share of its life that the card says is used, in steps of a tenth."),
		written,
		one(model.HostSupplyDraw, "tickover_host_supply_draw_watts", "What the small computer takes from the starter battery, as configured."),
		one(model.HostSupplyCharge, "tickover_host_supply_charge_ratio", "Charge of the starter battery by its voltage after a long rest, 1 is full."),
		one(model.HostStoreFault, "tickover_host_store_fault_state", "1 while the store keeps less than it should, as the alarm sees it."),
		one(model.HostSupplyLeft, "tickover_host_supply_left_seconds", "Time until that draw has brought the starter battery to half."),
		one(model.FrequencyMean, "genset_frequency_mean_hertz", "Mean frequency of the last 10 s."),
		one(model.FrequencySwing, "genset_frequency_swing_hertz", "Highest less lowest frequency of the last 10 s."),
		one(model.VoltageMean, "genset_voltage_mean_volts", "Mean voltage of the phases over the last 10 s."),
		one(model.VoltageSwing, "genset_voltage_swing_volts", "Highest less lowest mean voltage of the last 10 s."),
		one(model.StepReady, "genset_step_ready_state", "Whether the set stands steady, so that the next load step may be made."),
		one(model.StepReadyLeft, "genset_step_ready_left_seconds", "Least time until the set stands steady for the next step."),
		one(model.NeutralSuspect, "genset_neutral_suspect_state", "Whether the voltages to neutral diverge as with a broken neutral."),
	}
}

// generic is the metric for points of the user's own, by quantity. scale turns
// the canonical unit into the metric's.
type generic struct {
	suffix  string
	scale   float64
	counter bool
}

func byQuantity() map[model.Quantity]generic {
	return map[model.Quantity]generic{
		model.Voltage:          {"voltage_volts", 1, false},
		model.Current:          {"current_amperes", 1, false},
		model.Frequency:        {"frequency_hertz", 1, false},
		model.ActivePower:      {"active_power_watts", 1, false},
		model.ReactivePower:    {"reactive_power_vars", 1, false},
		model.ApparentPower:    {"apparent_power_voltamperes", 1, false},
		model.PowerFactor:      {"power_factor_ratio", 1, false},
		model.Energy:           {"energy_joules_total", 1, true},
		model.ReactiveEnergy:   {"reactive_energy_var_seconds_total", 1, true},
		model.ApparentEnergy:   {"apparent_energy_voltampere_seconds_total", 1, true},
		model.Temperature:      {"temperature_celsius", 1, false},
		model.TemperatureRate:  {"temperature_rate_celsius_per_second", 1, false},
		model.Pressure:         {"pressure_pascals", 1, false},
		model.PressureRate:     {"pressure_rate_pascals_per_second", 1, false},
		model.PressurePerSpeed: {"pressure_per_speed_pascal_seconds", 1, false},
		model.Speed:            {"speed_revolutions_per_second", 1, false},
		model.Duration:         {"duration_seconds", 1, false},
		model.Ratio:            {"ratio", 1, false},
		model.Volume:           {"volume_cubic_meters", 1, false},
		model.VolumeFlow:       {"flow_cubic_meters_per_second", 1, false},
		model.Resistance:       {"resistance_ohms", 1, false},
		model.Angle:            {"angle_radians", radiansPerDegree, false},
		model.VoltsPerHertz:    {"volts_per_hertz", 1, false},
		model.Count:            {"counts", 1, false},
		model.State:            {"state", 1, false},
		model.AbsoluteHumidity: {"humidity_grams_per_cubic_meter", 1000, false},
		model.Length:           {"length_meters", 1, false},
		model.Concentration:    {"concentration_ratio", 1, false},
	}
}
