package model

import (
	"math"
	"testing"
)

func TestShownValuesAreInTheUnitPeopleRead(t *testing.T) {
	for _, c := range []struct {
		q    Quantity
		v    float64
		want string
	}{
		{Pressure, 320000, "3.20 bar"},
		{ActivePower, 12340, "12.3 kW"},
		{ActivePower, -4, "0.0 kW"},
		{ActivePower, -60, "-0.1 kW"},
		{Speed, 25, "1500 r/min"},
		{Ratio, 0.0425, "4.2 %"},
		{Voltage, 230.44, "230.4 V"},
		{Voltage, 24.131, "24.13 V"},
		{Frequency, 50.125, "50.12 Hz"},
		{Temperature, -3.04, "-3.0 °C"},
		{Energy, 3.6e6, "1.0 kWh"},
		{PowerFactor, 0.8, "0.80"},
		{Resistance, 12e6, "12.00 MΩ"},
		{Resistance, 0.0315, "31.50 mΩ"},
		{Resistance, 0, "0.00 Ω"},
		{Resistance, math.Inf(1), "– Ω"},
		{Current, 0.031, "31 mA"},
		{Current, -0.0999, "-100 mA"},
		{Current, 0.1, "0.1 A"},
		{Current, 0, "0.0 A"},
		{Current, math.NaN(), "– A"},
		{Current, math.Inf(1), "– A"},
	} {
		if got := c.q.ShowWithUnit(c.v); got != c.want {
			t.Errorf("%s %v shown as %q, want %q", c.q, c.v, got, c.want)
		}
	}
}

func TestEveryShownUnitIsAUnitOfItsQuantity(t *testing.T) {
	for _, q := range Quantities() {
		if _, ok := findUnit(q, q.ShownUnit()); !ok {
			t.Errorf("%s is shown in %q, which is none of its units", q, q.ShownUnit())
		}
	}
}
