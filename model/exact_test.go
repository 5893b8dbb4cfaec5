package model

import (
	"math/big"
	"testing"

	"pgregory.net/rapid"
)

func TestParseDifferenceKnowsNoZeroPoint(t *testing.T) {
	for _, c := range []struct {
		text string
		want Quantity
		v    float64
	}{
		{"3 K", Temperature, 3}, {"9 °F", Temperature, 5}, {"0.2 bar", Pressure, 20000}, {"-1 Hz", Frequency, -1}, {"0 V", Voltage, 0},
	} {
		if v, err := ParseDifference(c.text, c.want); err != nil || v != c.v {
			t.Errorf("%s: %v, %v; want %v", c.text, v, err, c.v)
		}
	}
	for _, bad := range []string{"3", "3 V", "K", "", "1e400 K"} {
		if v, err := ParseDifference(bad, Temperature); err == nil {
			t.Errorf("%q was taken as %v", bad, v)
		}
	}
}

func TestParseExactKeepsEveryDigit(t *testing.T) {
	for text, want := range map[string]*big.Rat{
		"0.1 bar": big.NewRat(10000, 1), "1 psi": big.NewRat(6894757293, 1e6), "-0.5 kPa": big.NewRat(-500, 1),
	} {
		if v, err := ParseExact(text, Pressure); err != nil || v.Cmp(want) != 0 {
			t.Errorf("%s: %v, %v", text, v, err)
		}
	}
	// 32 °F is 0 °C and 212 °F is 100 °C by the definition of the scale.
	for text, want := range map[string]int64{"32 °F": 0, "212 °F": 100} {
		if v, err := ParseExact(text, Temperature); err != nil || v.Cmp(big.NewRat(want, 1)) != 0 {
			t.Errorf("%s: %v, %v", text, v, err)
		}
	}
}

func TestLinearResolutionMeetsBothEnds(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		from := rapid.Int64Range(-32768, 65535).Draw(t, "from")
		to := rapid.Int64Range(-32768, 65535).Draw(t, "to")
		lo := rapid.Int64Range(-100000, 100000).Draw(t, "lo")
		hi := rapid.Int64Range(-100000, 100000).Draw(t, "hi")
		r, err := LinearResolution(big.NewRat(from, 1), big.NewRat(to, 1), big.NewRat(lo, 10), big.NewRat(hi, 10))
		if from == to || lo == hi {
			if err == nil {
				t.Fatalf("no error for %d..%d means %d..%d", from, to, lo, hi)
			}
			return
		}
		if err != nil {
			t.Fatal(err)
		}
		if r.Value(from) != float64(lo)/10 || r.Value(to) != float64(hi)/10 {
			t.Fatalf("%+v gives %v and %v", r, r.Value(from), r.Value(to))
		}
	})
}

// A 4-20 mA module that counts microamperes, 0..10 bar: 12 mA is 5 bar.
func TestLinearResolutionOfACurrentLoop(t *testing.T) {
	r, err := LinearResolution(big.NewRat(4000, 1), big.NewRat(20000, 1), new(big.Rat), big.NewRat(1e6, 1))
	if err != nil || r != (Resolution{Num: 125, Den: 2, Off: -500000}) || r.Value(12000) != 500000 {
		t.Fatalf("%+v, %v", r, err)
	}
}

func TestUnitResolution(t *testing.T) {
	if r, ok := UnitResolution(ActivePower, "kW"); !ok || r != (Resolution{Num: 1000, Den: 1}) {
		t.Errorf("kW: %+v, %v", r, ok)
	}
	if r, ok := UnitResolution(Temperature, "K"); !ok || r.Value(0) != -273.15 {
		t.Errorf("K: %+v, %v", r, ok)
	}
	if _, ok := UnitResolution(Pressure, "V"); ok {
		t.Error("V is no unit of pressure")
	}
}

func TestParseResolutionRefusesTooManyDigits(t *testing.T) {
	if r, err := ParseResolution("9223372036854775807 kW", ActivePower); err == nil {
		t.Errorf("taken as %+v", r)
	}
}

func TestMovedToShiftsRegistersAndExponents(t *testing.T) {
	sf := uint16(40076)
	d := Device{Chain: &Chain{Start: 40070}, Points: []Point{{ID: CurrentL1, Register: Register{Address: 40073, Exponent: &sf}}}}
	m, ok := d.MovedTo(40)
	if !ok || m.Points[0].Register.Address != 43 || *m.Points[0].Register.Exponent != 46 || m.Chain.Start != 40 {
		t.Errorf("%+v", m)
	}
	if d.Points[0].Register.Address != 40073 || sf != 40076 || d.Chain.Start != 40070 {
		t.Error("the device itself was changed")
	}
	if _, ok := d.MovedTo(65533); ok {
		t.Error("moved beyond the table")
	}
	if _, ok := (Device{}).MovedTo(0); ok {
		t.Error("moved a device without a chain")
	}
}
