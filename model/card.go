package model

import "time"

// Card is what the makers' papers say of a set beyond its nameplate. A zero
// field means "not given"; the methods return what is then assumed.
type Card struct {
	// Droop is the frequency droop as a ratio: no-load less full-load
	// frequency, over rated. See Rating.FrequencyDroop.
	Droop float64
	// Overspeed is the limit of the overspeed device in revolutions a second.
	// See Rating.OverspeedLimit.
	Overspeed float64
	// OverloadHour says that the maker allows 110 % for one hour in twelve.
	OverloadHour bool
	// Unbalance is the negative-sequence current that the maker permits
	// without limit of time, as a ratio of rated current. See Card.PermittedUnbalance.
	Unbalance  float64
	StoppedBy  StopMeans
	Insulation InsulationClass
	// ExcitationOff says that the set runs without excitation on purpose, as
	// for drying its windings.
	ExcitationOff bool
	// ThermostatOpens and ThermostatFullOpen are in °C. See
	// Card.Thermostat.
	ThermostatOpens, ThermostatFullOpen float64
	ExhaustLimit                        float64 // °C, the maker's
	BearingLimit                        float64 // °C, the maker's
}

// StopMeans says how the set is stopped. The zero value is BySolenoid.
type StopMeans uint8

// The ways to stop a set.
const (
	BySolenoid   StopMeans = iota // drops out and cuts the fuel when the key is turned off
	ByActuator                    // of an electronic governor: cuts the fuel when the key is turned off
	ByStopButton                  // a solenoid that pulls for as long as the button is pressed
	ByLever                       // a fuel lever or cable by hand
)

var stopMeans = []string{"solenoid", "actuator", "stop button", "lever"}

// String names the means as the configuration does.
func (m StopMeans) String() string { return word(stopMeans, int(m)) }

// StopMeansNames lists the names in the order of the values.
func StopMeansNames() []string { return stopMeans }

// KeyStops reports whether turning the key off cuts the fuel.
func (m StopMeans) KeyStops() bool { return m == BySolenoid || m == ByActuator }

// InsulationClass is the thermal class of the windings by IEC 60085. The zero
// value means "not given".
type InsulationClass uint8

// The thermal classes.
const (
	InsulationUnknown InsulationClass = iota
	InsulationA
	InsulationE
	InsulationB
	InsulationF
	InsulationH
)

var insulationClasses = []string{"", "A", "E", "B", "F", "H"}

// String gives the letter of the class, "" when it is not given.
func (c InsulationClass) String() string { return word(insulationClasses, int(c)) }

// InsulationClassNames lists the letters in the order of the values.
func InsulationClassNames() []string { return insulationClasses }

// Temperature returns the temperature in °C that the class is named after (IEC
// 60085, from memory), 0 when the class is not given.
func (c InsulationClass) Temperature() float64 {
	return map[InsulationClass]float64{InsulationA: 105, InsulationE: 120, InsulationB: 130, InsulationF: 155, InsulationH: 180}[c]
}

// What is assumed of a set whose papers do not say.
const (
	// AssumedUnbalance is the lasting limit of a salient-pole generator in IEC
	// 60034-1 (from memory).
	AssumedUnbalance = 0.08
	// AssumedThermostatOpens and AssumedThermostatFullOpen are the usual
	// thermostat of an engine with a radiator, °C (common practice).
	AssumedThermostatOpens    = 82.0
	AssumedThermostatFullOpen = 88.0
	// AssumedOverspeed is the usual place of the overspeed device, over rated
	// speed (common practice).
	AssumedOverspeed = 1.10
	// AssumedWindingClass is what windings of unknown class are taken for: the
	// lowest that is still common (common practice).
	AssumedWindingClass = InsulationB
)

// PermittedUnbalance returns the negative-sequence current that the set carries
// without limit of time, as a ratio of rated current.
func (c Card) PermittedUnbalance() float64 {
	if c.Unbalance > 0 {
		return c.Unbalance
	}
	return AssumedUnbalance
}

// Thermostat returns where the thermostat begins to open and where it is fully
// open, °C. Of a card with one of the two, the other lies as far away as the
// assumed ones.
func (c Card) Thermostat() (opens, full float64) {
	const span = AssumedThermostatFullOpen - AssumedThermostatOpens
	switch {
	case c.ThermostatOpens == 0 && c.ThermostatFullOpen == 0:
		return AssumedThermostatOpens, AssumedThermostatFullOpen
	case c.ThermostatOpens == 0:
		return c.ThermostatFullOpen - span, c.ThermostatFullOpen
	case c.ThermostatFullOpen == 0:
		return c.ThermostatOpens, c.ThermostatOpens + span
	}
	return c.ThermostatOpens, c.ThermostatFullOpen
}

// WindingLimit returns the temperature of the class of the windings, °C, that
// of AssumedWindingClass when the class is not given.
func (c Card) WindingLimit() float64 {
	if c.Insulation == InsulationUnknown {
		return AssumedWindingClass.Temperature()
	}
	return c.Insulation.Temperature()
}

// Behaviour is how a set of a performance class may answer to its load, after
// ISO 8528-5. Ratios are of the rated value.
type Behaviour struct {
	Droop             float64       // frequency droop
	Band              float64       // width of the steady-state frequency band
	FrequencyRise     float64       // at load off
	FrequencyDip      float64       // at load on
	FrequencyRecovery time.Duration // load on and load off
	VoltageRise       float64       // at load off
	VoltageDip        float64       // at load on
	VoltageRecovery   time.Duration // load on and load off
}

var behaviours = map[string]Behaviour{
	"G1": {0.08, 0.025, 0.18, 0.15, 10 * time.Second, 0.35, 0.25, 10 * time.Second},
	"G2": {0.05, 0.015, 0.12, 0.10, 5 * time.Second, 0.25, 0.20, 6 * time.Second},
	"G3": {0.03, 0.005, 0.10, 0.07, 3 * time.Second, 0.20, 0.15, 4 * time.Second},
}

// Behaviour returns what the set's class permits; that of G1, the widest, for
// every class without published limits.
func (r Rating) Behaviour() Behaviour {
	if b, ok := behaviours[r.Class]; ok {
		return b
	}
	return behaviours["G1"]
}

// FrequencyDroop returns the card's droop, or the most that the class permits.
func (r Rating) FrequencyDroop() float64 {
	if r.Droop > 0 {
		return r.Droop
	}
	return r.Behaviour().Droop
}

// OverspeedLimit returns the card's limit in revolutions a second, or
// AssumedOverspeed of the rated speed; 0 when neither is known.
func (r Rating) OverspeedLimit() float64 {
	if r.Overspeed > 0 {
		return r.Overspeed
	}
	return AssumedOverspeed * r.Speed()
}
