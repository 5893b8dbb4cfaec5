package plant

import "tickover/model"

// Key turns the ignition on or off. Off also takes the fuel and the starter
// away, as a solenoid held by the key does.
func (p *Plant) Key(on bool) { p.key = on }

// Crank engages or releases the starter. It does nothing while the key is off.
func (p *Plant) Crank(on bool) { p.crank = on }

// Fuel opens or closes the stop lever. It is open in a new Plant.
func (p *Plant) Fuel(on bool) { p.fuel = on }

// Excite switches the regulator on or off. It is on in a new Plant. With it
// off a few volts of residual magnetism remain.
func (p *Plant) Excite(on bool) { p.alternator.excited = on }

// SetThrottle sets the speed lever: 0 is low idle (800 r/min of 1500), 1 is
// the governor setting, as in a new Plant.
func (p *Plant) SetThrottle(lever float64) { p.engine.lever = min(max(lever, 0), 1) }

// SetGovernor sets the no-load frequency in Hz and the droop, the fall of
// frequency from no load to full load over rated frequency (0.04 is 4 %).
func (p *Plant) SetGovernor(noLoad, droop float64) {
	p.engine.noLoad = noLoad / p.rating.Frequency
	p.engine.droop = max(droop, 0.005)
}

// SetVoltage sets the regulator's line-to-line voltage in V.
func (p *Plant) SetVoltage(lineToLine float64) {
	p.alternator.setting = lineToLine / p.rating.Voltage
}

// Load connects a load of so many watts at rated voltage to phase 0, 1 or 2
// in place of what hung there. pf is the lagging power factor; 0 means 1.
func (p *Plant) Load(phase int, watts, pf float64) {
	p.alternator.connect(phase, watts, pf)
}

// LoadAll connects a third of watts to each phase.
func (p *Plant) LoadAll(watts, pf float64) {
	for phase := range 3 {
		p.Load(phase, watts/3, pf)
	}
}

// OilLoss lets the oil pressure collapse within half a minute, or restores it.
func (p *Plant) OilLoss(on bool) { p.engine.oilLost = on }

// CoolantLoss empties the radiator: the engine heats while the sensor, now in
// air, sinks. False fills it again.
func (p *Plant) CoolantLoss(on bool) { p.heat.dry = on }

// ChargeLoss breaks the charging alternator's belt, or mends it.
func (p *Plant) ChargeLoss(on bool) { p.battery.beltBroken = on }

// DeadSensor makes a point give no value, or brings it back.
func (p *Plant) DeadSensor(point model.PointID, on bool) { p.dead[point] = on }

// OpenNeutral breaks the neutral between the star point and the board at
// which loads and meter are connected, or mends it.
func (p *Plant) OpenNeutral(on bool) { p.alternator.open = on }

// WireCurrents sets which phase's transformer (0, 1, 2) is on each of the
// meter's current inputs and whether it faces the wrong way.
func (p *Plant) WireCurrents(from [3]int, reversed [3]bool) {
	p.meter.currentFrom, p.meter.reversed = from, reversed
}

// WireVoltages sets which conductor (0, 1, 2, or 3 for neutral) is on each of
// the meter's voltage inputs L1, L2, L3, N. -1 is an open lead, which takes
// the potential of the neutral.
func (p *Plant) WireVoltages(from [4]int) { p.meter.voltageFrom = from }

// HoldFrequency chooses what the meter shows below 30 V: its last frequency,
// or 0 as in a new Plant.
func (p *Plant) HoldFrequency(on bool) { p.meter.hold = on }

// MeterSelfPowered feeds the meter from the voltage it measures: it is absent
// until 2 s after 160 V came, and goes when they go. False, as in a new Plant,
// feeds it from elsewhere.
func (p *Plant) MeterSelfPowered(on bool) { p.meter.selfPowered = on }
