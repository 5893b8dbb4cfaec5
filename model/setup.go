package model

import "time"

// Setup is the checked content of a configuration: what to poll, what to warn
// of, whom to tell.
type Setup struct {
	Rating    Rating
	Lines     []Line
	Devices   []Device
	Alarms    []AlarmRule
	LimitSets []LimitSet // of the user's own
	Simulated bool
	// Sensed are the points worked out from the raw points of the devices by
	// their sensors.
	Sensed []Point `json:",omitempty"`
	// Machine is the machine card: what is on the nameplates and beside them,
	// in the order written.
	Machine []Fact `json:",omitempty"`
	// Supply is what feeds the logger itself.
	Supply Supply `json:",omitzero"`
}

// Points returns every configured point by its ID, sensed ones included, each
// with the poll interval in force. The map is new.
func (s *Setup) Points() map[PointID]Point {
	points := map[PointID]Point{}
	for _, d := range s.Devices {
		for _, p := range d.Points {
			if p.Every == 0 {
				p.Every = d.Every
			}
			points[p.ID] = p
		}
	}
	for _, p := range s.Sensed {
		points[p.ID] = p
	}
	return points
}

// QuantityOf is the quantity of a point: as it is configured, else of its known
// name; NoQuantity when there is neither.
func QuantityOf(id PointID, configured map[PointID]Point) Quantity {
	if p, ok := configured[id]; ok {
		return p.Quantity
	}
	q, _ := KnownQuantity(id)
	return q
}

// Well-known points. A configuration may leave any of them out and add its own.
const (
	VoltageL1N         PointID = "voltage.l1n"
	VoltageL2N         PointID = "voltage.l2n"
	VoltageL3N         PointID = "voltage.l3n"
	VoltageL12         PointID = "voltage.l12"
	VoltageL23         PointID = "voltage.l23"
	VoltageL31         PointID = "voltage.l31"
	CurrentL1          PointID = "current.l1"
	CurrentL2          PointID = "current.l2"
	CurrentL3          PointID = "current.l3"
	CurrentN           PointID = "current.n"
	FrequencyPoint     PointID = "frequency"
	PowerActive        PointID = "power.active"
	PowerActiveL1      PointID = "power.active.l1"
	PowerActiveL2      PointID = "power.active.l2"
	PowerActiveL3      PointID = "power.active.l3"
	PowerReactive      PointID = "power.reactive"
	PowerReactiveL1    PointID = "power.reactive.l1"
	PowerReactiveL2    PointID = "power.reactive.l2"
	PowerReactiveL3    PointID = "power.reactive.l3"
	PowerApparent      PointID = "power.apparent"
	PowerApparentL1    PointID = "power.apparent.l1"
	PowerApparentL2    PointID = "power.apparent.l2"
	PowerApparentL3    PointID = "power.apparent.l3"
	PowerFactorTotal   PointID = "power.factor"
	PowerFactorL1      PointID = "power.factor.l1"
	PowerFactorL2      PointID = "power.factor.l2"
	PowerFactorL3      PointID = "power.factor.l3"
	EnergyActive       PointID = "energy.active"
	OilPressure        PointID = "oil.pressure"
	OilTemperature     PointID = "oil.temperature"
	CoolantTemperature PointID = "coolant.temperature"
	AmbientTemperature PointID = "ambient.temperature"
	ExhaustTemperature PointID = "exhaust.temperature"
	BatteryVoltage     PointID = "battery.voltage"
	SpeedPoint         PointID = "speed"
	FuelLevel          PointID = "fuel.level"
	MonoxidePoint      PointID = "co"          // carbon monoxide in the air at the set
	OilSwitch          PointID = "oil.switch"  // 1: pressure is low
	ChargeLamp         PointID = "charge.lamp" // 1: lamp lit, not charging
	KeyOn              PointID = "key.on"      // 1: ignition on
	BearingTemperature PointID = "bearing.temperature"
	CoolantLevelSwitch PointID = "coolant.level.switch" // 1: level is low
	EmergencyStop      PointID = "emergency.stop"       // 1: operated
	BreakerClosed      PointID = "breaker.closed"       // 1: the auxiliary contact says closed
	ResidualCurrent    PointID = "current.residual"     // A, all live conductors summed
	NeutralToEarth     PointID = "voltage.npe"          // V, neutral to protective earth
	WindingL1          PointID = "winding.temperature.l1"
	WindingL2          PointID = "winding.temperature.l2"
	WindingL3          PointID = "winding.temperature.l3"

	// Points of the small computer itself; each only where it can tell.
	HostTemperature      PointID = "host.temperature"       // of the processor
	HostUndervoltage     PointID = "host.undervoltage"      // 1: the supply is too low now
	HostUndervoltageSeen PointID = "host.undervoltage.seen" // 1: it was since the boot
	HostThrottled        PointID = "host.throttled"         // 1: slowed down, by heat or supply
	HostCardWear         PointID = "host.card.wear"         // share of its life used, as the card estimates
	HostCardWritten      PointID = "host.card.written"      // bytes written since the boot
	HostSupplyDraw       PointID = "host.supply.draw"       // W that the logger takes from the starter battery
	HostSupplyCharge     PointID = "host.supply.charge"     // of the starter battery by its voltage after a long rest, 1 is full
	HostSupplyLeft       PointID = "host.supply.left"       // s until that draw has brought it to half
	HostStoreFault       PointID = "host.store.fault"       // 1: the store keeps less than it should

	// Derived points.
	EngineStatePoint    PointID = "engine.state"          // State: an EngineState
	LoadRatio           PointID = "load.ratio"            // active power over rating
	LoadApparentRatio   PointID = "load.apparent.ratio"   // highest phase current over rating
	VoltageUnbalance    PointID = "voltage.unbalance"     // NEMA MG 1, line to line
	CurrentUnbalance    PointID = "current.unbalance"     // NEMA MG 1 form, gated by load
	NegativeVoltage     PointID = "voltage.negative"      // IEC u2, from line-to-line magnitudes
	NegativeCurrent     PointID = "current.negative"      // I2/IN, estimate from magnitudes
	NeutralEstimate     PointID = "current.n.estimate"    // A, from phase magnitudes
	ZeroSequenceVoltage PointID = "voltage.zero"          // V, neutral shift
	VoltsPerHertzRatio  PointID = "volts.per.hertz.ratio" // V/f over rated V/f
	FrequencyMean       PointID = "frequency.mean"        // Hz, of the last 10 s
	FrequencySwing      PointID = "frequency.swing"       // Hz, highest less lowest of the last 10 s
	VoltageMean         PointID = "voltage.mean"          // V, of the phases and the last 10 s
	VoltageSwing        PointID = "voltage.swing"         // V, highest less lowest of the last 10 s
	StepReady           PointID = "step.ready"            // 1: steady, the next step may be made
	StepReadyLeft       PointID = "step.ready.left"       // s, the least time until then
	NeutralSuspect      PointID = "neutral.suspect"       // 1: the star point lies where only a broken neutral puts it
	RunningTime         PointID = "running.time"          // s since the engine can at the earliest have run by itself

	// Points that the alarms work out for themselves.
	StarterTime     PointID = "starter.time"     // s cranked and not yet rested for
	CoolingTime     PointID = "cooling.time"     // s without load before the last stop
	OverloadTime    PointID = "overload.time"    // s above 102 % of rated load, less an eleventh of the time below it
	FailedStarts    PointID = "start.failures"   // cranks of 10 s or more in a row without a start
	EngineAtRest    PointID = "engine.at.rest"   // 1: every instrument that can tell shows a standstill
	RestTime        PointID = "rest.time"        // s since the set came to rest; an hour while it turns
	LoadOffTime     PointID = "load.off.time"    // s since a fifth of rated load or more went at once; an hour without
	LoadOnTime      PointID = "load.on.time"     // s since as much came at once; an hour without
	RotorHeat       PointID = "rotor.heat"       // share used of what the rotor bears of (I2/IN)²·t
	EngineSignals   PointID = "engine.signals"   // how many of the engine's sensors can be seen
	AlarmsRaised    PointID = "alarms.raised"    // announced in the last ten minutes
	AlarmsUnwatched PointID = "alarms.unwatched" // how many ought to watch and cannot
)

// PhaseVoltages, PhaseCurrents and so on list the points of the three phases
// in order.
var (
	PhaseVoltages    = [3]PointID{VoltageL1N, VoltageL2N, VoltageL3N}
	LineVoltages     = [3]PointID{VoltageL12, VoltageL23, VoltageL31}
	PhaseCurrents    = [3]PointID{CurrentL1, CurrentL2, CurrentL3}
	PhaseActive      = [3]PointID{PowerActiveL1, PowerActiveL2, PowerActiveL3}
	PhaseReactive    = [3]PointID{PowerReactiveL1, PowerReactiveL2, PowerReactiveL3}
	PhaseApparent    = [3]PointID{PowerApparentL1, PowerApparentL2, PowerApparentL3}
	Windings         = [3]PointID{WindingL1, WindingL2, WindingL3}
	PhasePowerFactor = [3]PointID{PowerFactorL1, PowerFactorL2, PowerFactorL3}
)

// HostEvery is how often the small computer is asked about itself.
const HostEvery = 10 * time.Second

// HostPoints are the points of the small computer and its supply, which no
// device gives. A computer that cannot tell one leaves it out.
func HostPoints() []PointID {
	return []PointID{HostTemperature, HostUndervoltage, HostUndervoltageSeen, HostThrottled, HostCardWear, HostCardWritten,
		HostSupplyDraw, HostSupplyCharge, HostSupplyLeft, HostStoreFault}
}

// KnownQuantity returns the quantity of a well-known point; false for others.
func KnownQuantity(p PointID) (Quantity, bool) {
	q, ok := knownQuantities[p]
	return q, ok
}

var knownQuantities = func() map[PointID]Quantity {
	m := map[PointID]Quantity{
		CurrentN: Current, FrequencyPoint: Frequency, PowerActive: ActivePower, PowerReactive: ReactivePower,
		PowerApparent: ApparentPower, PowerFactorTotal: PowerFactor, EnergyActive: Energy, OilPressure: Pressure,
		OilTemperature: Temperature, CoolantTemperature: Temperature, AmbientTemperature: Temperature,
		ExhaustTemperature: Temperature, BatteryVoltage: Voltage, SpeedPoint: Speed, FuelLevel: Ratio, MonoxidePoint: Concentration,
		OilSwitch: State, ChargeLamp: State, KeyOn: State,
		BearingTemperature: Temperature, CoolantLevelSwitch: State, EmergencyStop: State, BreakerClosed: State,
		ResidualCurrent: Current, NeutralToEarth: Voltage,
		EngineStatePoint: State, LoadRatio: Ratio, LoadApparentRatio: Ratio, VoltageUnbalance: Ratio,
		CurrentUnbalance: Ratio, NegativeVoltage: Ratio, NegativeCurrent: Ratio, NeutralEstimate: Current,
		ZeroSequenceVoltage: Voltage, VoltsPerHertzRatio: Ratio,
		FrequencyMean: Frequency, FrequencySwing: Frequency, VoltageMean: Voltage, VoltageSwing: Voltage,
		StepReady: State, StepReadyLeft: Duration, NeutralSuspect: State, RunningTime: Duration,
		HostTemperature: Temperature, HostUndervoltage: State, HostUndervoltageSeen: State, HostThrottled: State,
		HostCardWear: Ratio, HostCardWritten: Count, HostSupplyDraw: ActivePower, HostSupplyCharge: Ratio, HostSupplyLeft: Duration, HostStoreFault: State,
		StarterTime: Duration, CoolingTime: Duration, RestTime: Duration, LoadOffTime: Duration, LoadOnTime: Duration, RotorHeat: Ratio,
		OverloadTime: Duration, FailedStarts: Count, EngineAtRest: State, EngineSignals: Count, AlarmsRaised: Count, AlarmsUnwatched: Count,
	}
	for i := range 3 {
		m[PhaseVoltages[i]], m[LineVoltages[i]], m[PhaseCurrents[i]] = Voltage, Voltage, Current
		m[PhaseActive[i]], m[PhaseReactive[i]], m[PhaseApparent[i]] = ActivePower, ReactivePower, ApparentPower
		m[PhasePowerFactor[i]] = PowerFactor
		m[Windings[i]] = Temperature
	}
	return m
}()

// PartName is what people call one of the points of a phase, such as "L1" or
// "L2-L3"; the point's own name for others.
func PartName(p PointID) string {
	for i, phase := range [3]string{"L1", "L2", "L3"} {
		switch p {
		case PhaseVoltages[i], PhaseCurrents[i], PhaseActive[i], PhaseReactive[i], PhaseApparent[i], PhasePowerFactor[i], Windings[i]:
			return phase
		case LineVoltages[i]:
			return [3]string{"L1-L2", "L2-L3", "L3-L1"}[i]
		}
	}
	return string(p)
}
