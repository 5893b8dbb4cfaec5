package model

import (
	"math"
	"strconv"
	"strings"
)

// shown lists the quantities people read in another unit than the canonical
// one.
var shown = map[Quantity]string{
	ActivePower: "kW", ReactivePower: "kvar", ApparentPower: "kVA", Energy: "kWh", ReactiveEnergy: "kvarh",
	ApparentEnergy: "kVAh", TemperatureRate: "K/min", Pressure: "bar", PressureRate: "bar/min",
	PressurePerSpeed: "bar per 1000 r/min", Speed: "r/min", Ratio: "%", Volume: "L", VolumeFlow: "L/h",
	AbsoluteHumidity: "g/m³", Concentration: "ppm",
}

// ShownUnit gives the unit people read the quantity in, such as "bar" for a
// pressure; "" for a number.
func (q Quantity) ShownUnit() string {
	if u, ok := shown[q]; ok {
		return u
	}
	return q.Unit()
}

// Show writes a canonical value in the unit people read it in, without the
// unit, with as many decimals as the quantity deserves. A value that is no
// number is written "–".
func (q Quantity) Show(v float64) string {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return "–"
	}
	v = InUnit(v, q, q.ShownUnit())
	text := strconv.FormatFloat(v, 'f', q.decimals(v), 64)
	if strings.Trim(text, "-0.") == "" {
		return strings.TrimPrefix(text, "-") // less than nothing by less than is shown is nothing
	}
	return text
}

// ShowWithUnit is Show followed by the unit. A resistance, which may be that
// of a winding or of its insulation, takes the multiple of the ohm that suits
// it; a rate of one or more a second is told by the second; a duration is in
// minutes from ten on, and in hours from one. A current below 0.1 A, such as one to
// earth, is in mA.
func (q Quantity) ShowWithUnit(v float64) string {
	switch {
	case q == Resistance:
		return showResistance(v)
	case q == Current && v != 0 && math.Abs(v) < 0.1:
		return strconv.FormatFloat(1000*v, 'f', 0, 64) + " mA"
	case q == TemperatureRate && math.Abs(v) >= 1:
		return showIn(v, q, "K/s")
	case q == PressureRate && math.Abs(v) >= 1e5:
		return showIn(v, q, "bar/s")
	case q == Duration && math.Abs(v) >= 3600:
		return showIn(v, q, "h")
	case q == Duration && math.Abs(v) >= 600:
		return showIn(v, q, "min")
	}
	if u := q.ShownUnit(); u != "" {
		return q.Show(v) + " " + u
	}
	return q.Show(v)
}

func showIn(v float64, q Quantity, unit string) string {
	return strconv.FormatFloat(InUnit(v, q, unit), 'f', 1, 64) + " " + unit
}

func showResistance(v float64) string {
	unit := "mΩ"
	for _, u := range []string{"Ω", "kΩ", "MΩ", "GΩ"} {
		if math.Abs(InUnit(v, Resistance, u)) >= 1 || v == 0 && u == "Ω" {
			unit = u
		}
	}
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return "– Ω"
	}
	return strconv.FormatFloat(InUnit(v, Resistance, unit), 'f', 2, 64) + " " + unit
}

func (q Quantity) decimals(v float64) int {
	large := math.Abs(v) >= 99.95
	switch q {
	case Speed, Count, State, Concentration:
		return 0
	case Frequency, PowerFactor, Pressure:
		return 2
	case Voltage:
		if math.Abs(v) < 60 {
			return 2
		}
		return 1
	case Temperature, Ratio, Energy, Volume:
		return 1
	}
	if large {
		return 0
	}
	return 1
}

// ShowDifference writes a difference of two values in canonical units with its
// sign and its unit; differences of temperature are in kelvin.
func (q Quantity) ShowDifference(by float64) string {
	sign := "+"
	if by < 0 {
		sign = "−"
	}
	text := q.ShowWithUnit(math.Abs(by))
	if q == Temperature {
		text = strings.Replace(text, "°C", "K", 1)
	}
	return sign + text
}
