package model

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"
)

// Condition is something read beside a measurement.
type Condition struct {
	Name     string
	Quantity Quantity
	Needed   bool // the measurement means nothing without it
}

// MeasurementKind is something people measure by hand.
type MeasurementKind struct {
	Name       string
	Quantity   Quantity
	Points     string  // examples of where, for people
	Low        float64 // a value outside is refused as a slip of the unit, canonical unit
	High       float64
	Conditions []Condition
	Word       string // what 1 means of a State, such as "present"; "" for others
	HighVolt   bool   // 500 V are put on: the tick-list comes first
}

// The names of conditions that formulas use.
const (
	WindingTemperature = "winding temperature"
	After30Seconds     = "after 30 s"
	After10Minutes     = "after 10 min"
	TestCurrentRatio   = "test current"
	SensorReading      = "sensor reading"
)

// The kinds that verdicts are made of.
const (
	InsulationKind   = "insulation resistance"
	WindingKind      = "winding resistance"
	PanelGaugeKind   = "panel gauge"
	HandMeterKind    = "hand meter"
	PhaseRotation    = "phase rotation"
	NeutralEarthKind = "neutral-earth bond"
	ResidualKind     = "residual-current device"
	BatteryRestKind  = "battery rest voltage"
	EarthKind        = "earth continuity"
	HotSpotKind      = "hot spot"
	DeviceProofKind  = "protective device"
)

// MeasurementKinds lists what can be measured by hand, in the order of the
// work. The list is new.
func MeasurementKinds() []MeasurementKind {
	warm := Condition{WindingTemperature, Temperature, true}
	air := Condition{"ambient temperature", Temperature, false}
	return []MeasurementKind{
		{InsulationKind, Resistance, "U-E, V-E, W-E, U-V, rotor-E", 1, 1e13,
			[]Condition{warm, {After30Seconds, Resistance, false}, {After10Minutes, Resistance, false}, {"test voltage", Voltage, false}, air, {"relative humidity", Ratio, false}}, "", true},
		{WindingKind, Resistance, "U, V, W, field", 1e-4, 1e4, []Condition{warm, air}, "", false},
		{EarthKind, Resistance, "frame-bar, bar-electrode", 0, 1000, []Condition{{TestCurrentRatio, Current, false}}, "", false},
		{"earth electrode", Resistance, "rod 1", 0.01, 1e5, nil, "", false},
		{NeutralEarthKind, State, "terminal box", 0, 1, []Condition{{"bond resistance", Resistance, false}}, "present, in one place only", false},
		{ResidualKind, Duration, "outlet 1, 0° half-wave", 0.001, 10, []Condition{{TestCurrentRatio, Ratio, true}}, "", false},
		{PhaseRotation, State, "outlet 1", 0, 1, nil, "L1-L2-L3", false},
		{BatteryRestKind, Voltage, "block 1", 0.5, 40, []Condition{{"rested", Duration, true}, {"battery temperature", Temperature, false}}, "", false},
		{"fuel dip", Volume, "tank", 0, 10, []Condition{{"resolution", Volume, false}, {"dip", Length, false}}, "", false},
		{"fuel added", Volume, "tank", 1e-4, 10, nil, "", false},
		{"oil level", Length, "dipstick above minimum", -0.1, 1, nil, "", false},
		{"coolant level", Length, "below the neck", -0.1, 1, nil, "", false},
		{HotSpotKind, Temperature, "breaker L1, lug L2, bearing", -40, 800, []Condition{air}, "", false},
		{PanelGaugeKind, NoQuantity, "oil.pressure, coolant.temperature", 0, 0, []Condition{{SensorReading, NoQuantity, false}}, "", false},
		{HandMeterKind, NoQuantity, "voltage.l1n, current.l1, battery.voltage", 0, 0, []Condition{{SensorReading, NoQuantity, false}}, "", false},
		{DeviceProofKind, Duration, "oil pressure switch, overspeed, emergency stop", 0, 600, nil, "", false},
	}
}

// MeasurementKindNamed finds a kind; false when there is none of that name.
func MeasurementKindNamed(name string) (MeasurementKind, bool) {
	all := MeasurementKinds()
	i := slices.IndexFunc(all, func(k MeasurementKind) bool { return k.Name == name })
	if i < 0 {
		return MeasurementKind{}, false
	}
	return all[i], true
}

// TicksBefore500V is what must be done before 500 V are put on a winding, and
// TicksAfter500V what must be restored. Common practice and maker's manuals:
// the test can destroy regulator, diodes and the meters' inputs.
var (
	TicksBefore500V = []string{"battery isolated, the set cannot start", "voltage fuses of logger and meters pulled",
		"regulator and filters disconnected", "rotating diodes shorted or disconnected", "neutral-earth link lifted"}
	TicksAfter500V = []string{"winding discharged for four times the test time", "neutral-earth link back", "diodes, regulator and filters back", "fuses back, battery back"}
)

// NotTicked begins the reason why the tick-list was not gone through.
const NotTicked = "not ticked off, because: "

// A Refusal says why a measurement is not taken, with what to do.
type Refusal struct{ Reason, Hint string }

func (r *Refusal) Error() string { return r.Reason }

func refuse(hint, format string, args ...any) *Refusal {
	return &Refusal{fmt.Sprintf(format, args...), hint}
}

// Vet refuses a measurement that could not be trusted later: of no known kind,
// without the temperature its formula needs, out of range by a power of ten,
// dated in the future of now (UTC; zero means that no clock knows it), or a
// 500 V test whose tick-list was passed over without a reason. The error is a
// *Refusal.
func (m *Measurement) Vet(now time.Time) error {
	kind, ok := MeasurementKindNamed(m.Kind)
	if !ok {
		return refuse("tickover measure kinds lists them", "there is no measurement %q", m.Kind)
	}
	q := kind.Quantity
	if q == NoQuantity {
		if q, ok = KnownQuantity(PointID(m.Points)); !ok && m.Quantity == NoQuantity {
			return refuse("name the point as the configuration does, such as oil.pressure", "%q is no point whose unit is known", m.Points)
		} else if !ok {
			q = m.Quantity
		}
	}
	switch {
	case m.Quantity != q:
		return refuse("give it as "+q.String(), "%s is a %s, not a %s", m.Kind, q, m.Quantity)
	case m.Points == "":
		return refuse("such as "+kind.Points, "where it was measured is not said")
	case math.IsNaN(m.Value) || math.IsInf(m.Value, 0):
		return refuse("", "the value is no number")
	case kind.Quantity != NoQuantity && (m.Value < kind.Low || m.Value > kind.High):
		return refuse(fmt.Sprintf("it lies between %s and %s; look at the unit", q.ShowWithUnit(kind.Low), q.ShowWithUnit(kind.High)),
			"%s cannot be %s", m.Kind, q.ShowWithUnit(m.Value))
	case kind.Word != "" && m.Value != 0 && m.Value != 1:
		return refuse("say yes or no", "%s is yes or no", m.Kind)
	case !m.Taken.IsZero() && !now.IsZero() && m.Taken.After(now.Add(time.Minute)):
		return refuse("look at the date, and at the clock of this computer", "it is dated %s, which is still to come", m.Taken.Format("2006-01-02 15:04"))
	}
	if err := m.vetConditions(kind); err != nil {
		return err
	}
	return m.vetTicks(kind)
}

func (m *Measurement) vetConditions(kind MeasurementKind) error {
	for _, c := range kind.Conditions {
		v, given := m.Conditions[c.Name]
		switch {
		case !given && c.Needed:
			return refuse("give it beside the value; by command --with \""+c.Name+"=...\"", "%s means nothing without the %s", m.Kind, c.Name)
		case given && (math.IsNaN(v) || math.IsInf(v, 0)):
			return refuse("", "%s is no number", c.Name)
		case given && c.Name == WindingTemperature && (v < -40 || v > 180):
			return refuse("in °C, of the winding itself", "a winding is not at %.0f °C", v)
		}
	}
	for name := range m.Conditions {
		if !slices.ContainsFunc(kind.Conditions, func(c Condition) bool { return c.Name == name }) {
			return refuse("put it into the note", "%s has no condition %q", m.Kind, name)
		}
	}
	return nil
}

func (m *Measurement) vetTicks(kind MeasurementKind) error {
	if !kind.HighVolt || m.Corrects != 0 || slices.ContainsFunc(m.Ticks, func(t string) bool { return strings.HasPrefix(t, NotTicked) && len(t) > len(NotTicked) }) {
		return nil
	}
	for _, tick := range TicksBefore500V {
		if !slices.Contains(m.Ticks, tick) {
			return refuse("tick everything off, or say why not", "before 500 V go on, tick off: %s", tick)
		}
	}
	return nil
}
