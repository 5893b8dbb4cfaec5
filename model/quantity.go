package model

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
)

// Quantity is what a value measures. Each has one canonical unit; see Unit.
// The zero value is NoQuantity, which no configured point may have.
type Quantity uint8

// The quantities known to the program, with their canonical units.
const (
	NoQuantity       Quantity = iota
	Voltage                   // V
	Current                   // A
	Frequency                 // Hz
	ActivePower               // W
	ReactivePower             // var
	ApparentPower             // VA
	PowerFactor               // 1, signed as the meter gives it
	Energy                    // J
	ReactiveEnergy            // var·s
	ApparentEnergy            // VA·s
	Temperature               // °C
	TemperatureRate           // K/s
	Pressure                  // Pa
	PressureRate              // Pa/s
	PressurePerSpeed          // Pa·s: pressure per revolution a second
	Speed                     // 1/s, revolutions a second
	Duration                  // s
	Ratio                     // 1
	Volume                    // m³
	VolumeFlow                // m³/s
	Resistance                // Ω
	Angle                     // degree
	VoltsPerHertz             // V/Hz
	Count                     // 1
	State                     // 1: a contact (0 or 1) or an enumeration
	AbsoluteHumidity          // kg/m³
	Length                    // m
	Concentration             // m³/m³, of a gas in air
)

// unit is one way to write a quantity: value in canonical units is
// (k*num + off)/den for k written units.
type unit struct {
	name          string
	num, den, off int64
}

type quantityInfo struct {
	name  string
	units []unit // the first is canonical
}

var quantities = map[Quantity]quantityInfo{
	NoQuantity:       {"nothing", []unit{{"", 1, 1, 0}}},
	Voltage:          {"voltage", []unit{{"V", 1, 1, 0}, {"mV", 1, 1000, 0}, {"kV", 1000, 1, 0}}},
	Current:          {"current", []unit{{"A", 1, 1, 0}, {"mA", 1, 1000, 0}, {"kA", 1000, 1, 0}}},
	Frequency:        {"frequency", []unit{{"Hz", 1, 1, 0}, {"mHz", 1, 1000, 0}}},
	ActivePower:      {"active power", []unit{{"W", 1, 1, 0}, {"kW", 1000, 1, 0}, {"MW", 1e6, 1, 0}}},
	ReactivePower:    {"reactive power", []unit{{"var", 1, 1, 0}, {"kvar", 1000, 1, 0}}},
	ApparentPower:    {"apparent power", []unit{{"VA", 1, 1, 0}, {"kVA", 1000, 1, 0}, {"MVA", 1e6, 1, 0}}},
	PowerFactor:      {"power factor", []unit{{"", 1, 1, 0}, {"%", 1, 100, 0}}},
	Energy:           {"energy", []unit{{"J", 1, 1, 0}, {"Wh", 3600, 1, 0}, {"kWh", 3600000, 1, 0}, {"MJ", 1e6, 1, 0}}},
	ReactiveEnergy:   {"reactive energy", []unit{{"var·s", 1, 1, 0}, {"varh", 3600, 1, 0}, {"kvarh", 3600000, 1, 0}}},
	ApparentEnergy:   {"apparent energy", []unit{{"VA·s", 1, 1, 0}, {"VAh", 3600, 1, 0}, {"kVAh", 3600000, 1, 0}}},
	Temperature:      {"temperature", []unit{{"°C", 1, 1, 0}, {"degC", 1, 1, 0}, {"K", 100, 100, -27315}, {"°F", 5, 9, -160}}},
	TemperatureRate:  {"temperature rate", []unit{{"K/s", 1, 1, 0}, {"K/min", 1, 60, 0}, {"K/h", 1, 3600, 0}}},
	Pressure:         {"pressure", []unit{{"Pa", 1, 1, 0}, {"bar", 100000, 1, 0}, {"mbar", 100, 1, 0}, {"kPa", 1000, 1, 0}, {"MPa", 1e6, 1, 0}, {"psi", 6894757293, 1e6, 0}}},
	PressureRate:     {"pressure rate", []unit{{"Pa/s", 1, 1, 0}, {"bar/s", 100000, 1, 0}, {"bar/min", 100000, 60, 0}}},
	PressurePerSpeed: {"pressure per speed", []unit{{"Pa·s", 1, 1, 0}, {"bar per 1000 r/min", 6000, 1, 0}}},
	Speed:            {"speed", []unit{{"1/s", 1, 1, 0}, {"r/s", 1, 1, 0}, {"r/min", 1, 60, 0}}},
	Duration:         {"duration", []unit{{"s", 1, 1, 0}, {"ms", 1, 1000, 0}, {"min", 60, 1, 0}, {"h", 3600, 1, 0}, {"d", 86400, 1, 0}}},
	Ratio:            {"ratio", []unit{{"", 1, 1, 0}, {"%", 1, 100, 0}}},
	Volume:           {"volume", []unit{{"m³", 1, 1, 0}, {"m3", 1, 1, 0}, {"L", 1, 1000, 0}, {"l", 1, 1000, 0}}},
	VolumeFlow:       {"volume flow", []unit{{"m³/s", 1, 1, 0}, {"L/h", 1, 3600000, 0}, {"L/min", 1, 60000, 0}}},
	Resistance:       {"resistance", []unit{{"Ω", 1, 1, 0}, {"ohm", 1, 1, 0}, {"mΩ", 1, 1000, 0}, {"kΩ", 1000, 1, 0}, {"kohm", 1000, 1, 0}, {"MΩ", 1e6, 1, 0}, {"Mohm", 1e6, 1, 0}, {"GΩ", 1e9, 1, 0}}},
	Angle:            {"angle", []unit{{"°", 1, 1, 0}, {"deg", 1, 1, 0}}},
	VoltsPerHertz:    {"volts per hertz", []unit{{"V/Hz", 1, 1, 0}}},
	Count:            {"count", []unit{{"", 1, 1, 0}}},
	State:            {"state", []unit{{"", 1, 1, 0}}},
	AbsoluteHumidity: {"absolute humidity", []unit{{"kg/m³", 1, 1, 0}, {"g/m³", 1, 1000, 0}}},
	Length:           {"length", []unit{{"m", 1, 1, 0}, {"mm", 1, 1000, 0}, {"cm", 1, 100, 0}}},
	Concentration:    {"concentration", []unit{{"m³/m³", 1, 1, 0}, {"ppm", 1, 1e6, 0}, {"%", 1, 100, 0}}},
}

// Quantities lists every quantity but NoQuantity, in the order of their
// constants.
func Quantities() []Quantity {
	all := make([]Quantity, 0, len(quantities))
	for q := range quantities {
		if q != NoQuantity {
			all = append(all, q)
		}
	}
	slices.Sort(all)
	return all
}

// String gives the quantity's name in words, such as "apparent power".
func (q Quantity) String() string {
	if info, ok := quantities[q]; ok {
		return info.name
	}
	return fmt.Sprintf("quantity %d", uint8(q))
}

// Unit gives the symbol of the canonical unit, "" for a number.
func (q Quantity) Unit() string {
	if info, ok := quantities[q]; ok {
		return info.units[0].name
	}
	return ""
}

// Units lists every unit the quantity may be written in, the canonical one
// first.
func (q Quantity) Units() []string {
	var names []string
	for _, u := range quantities[q].units {
		names = append(names, u.name)
	}
	return names
}

// QuantityNamed finds a quantity by its name in words. It reports false when
// there is none.
func QuantityNamed(name string) (Quantity, bool) {
	for q, info := range quantities {
		if q != NoQuantity && info.name == name {
			return q, true
		}
	}
	return NoQuantity, false
}

// UnitError says why a written value was refused.
type UnitError struct {
	Text   string   // the value as written
	Want   Quantity // what was expected
	Reason string   // what is wrong with it
	Hint   string   // what to write instead; may be empty
}

func (e *UnitError) Error() string {
	return fmt.Sprintf("%q is no %s: %s", e.Text, e.Want, e.Reason)
}

// ParseValue reads a written value such as "1.2 bar" as the quantity wanted
// and returns it in the canonical unit. A value without its unit, or with the
// unit of another quantity, is refused with a *UnitError. Quantities that are
// plain numbers take a number alone.
func ParseValue(text string, want Quantity) (float64, error) {
	number, symbol := splitUnit(text)
	v, err := strconv.ParseFloat(number, 64)
	if err != nil || math.IsNaN(v) || math.IsInf(v, 0) {
		return 0, &UnitError{text, want, "it does not start with a number", "write it as " + example(want)}
	}
	u, ok := findUnit(want, symbol)
	if !ok {
		return 0, unitMismatch(text, symbol, want)
	}
	return (v*float64(u.num) + float64(u.off)) / float64(u.den), nil
}

// ParseResolution reads the size of one count, such as "0.1 V", as an exact
// fraction of the canonical unit. Temperatures given in "K" are differences
// here. It refuses what ParseValue refuses, zero and negative sizes.
func ParseResolution(text string, want Quantity) (Resolution, error) {
	number, symbol := splitUnit(text)
	num, den, err := decimal(number)
	if err != nil || num <= 0 {
		return Resolution{}, &UnitError{text, want, "the size of one count is a positive number with its unit", "write it as " + example(want)}
	}
	u, ok := findUnit(want, symbol)
	if !ok {
		return Resolution{}, unitMismatch(text, symbol, want)
	}
	if num > math.MaxInt64/u.num || den > math.MaxInt64/u.den {
		return Resolution{}, &UnitError{text, want, "it has too many digits", "write it as " + example(want)}
	}
	return Resolution{Num: num * u.num, Den: den * u.den}.reduced(), nil
}

// InUnit converts a canonical value to the named unit of its quantity, for
// showing. It returns the value unchanged when the quantity has no such unit.
func InUnit(v float64, q Quantity, symbol string) float64 {
	u, ok := findUnit(q, symbol)
	if !ok {
		return v
	}
	return (v*float64(u.den) - float64(u.off)) / float64(u.num)
}

func findUnit(q Quantity, symbol string) (unit, bool) {
	for _, u := range quantities[q].units {
		if u.name == symbol {
			return u, true
		}
	}
	return unit{}, false
}

func unitMismatch(text, symbol string, want Quantity) error {
	e := &UnitError{Text: text, Want: want, Hint: "write it as " + example(want)}
	switch {
	case symbol == "":
		e.Reason = "its unit is missing"
		return e
	case symbol[0] == ',':
		e.Reason, e.Hint = "a comma stands in the number", "write 1.2, with a full stop, then the unit"
		return e
	}
	for _, q := range Quantities() {
		if _, ok := findUnit(q, symbol); ok && q != PowerFactor { // its % is the ratio's
			e.Reason = fmt.Sprintf("%s is a unit of %s", symbol, q)
			return e
		}
	}
	e.Reason = fmt.Sprintf("%q is not a unit known here", symbol)
	return e
}

func example(q Quantity) string {
	units := q.Units()
	if len(units) > 1 && units[1] != "%" {
		return fmt.Sprintf("a number and one of %s", strings.Join(units, ", "))
	}
	if units[0] == "" {
		return "a number alone"
	}
	return "a number and " + units[0]
}

// splitUnit parts "1.2 bar" into "1.2" and "bar".
func splitUnit(text string) (number, symbol string) {
	text = strings.TrimSpace(text)
	end := 0
	for end < len(text) && strings.IndexByte("+-0123456789.eE", text[end]) >= 0 {
		end++
	}
	// An e that starts the unit, not an exponent, is no unit of ours.
	return text[:end], strings.TrimSpace(text[end:])
}

// decimal reads a plain decimal as an exact fraction.
func decimal(text string) (num, den int64, err error) {
	whole, frac, _ := strings.Cut(text, ".")
	num, err = strconv.ParseInt(whole+frac, 10, 64)
	if err != nil || len(frac) > 12 {
		return 0, 0, fmt.Errorf("%q is not a plain decimal", text)
	}
	den = 1
	for range frac {
		den *= 10
	}
	return num, den, nil
}
