package model

import (
	"math"
	"testing"
	"time"
)

// Worked by hand. 5 W at 12 V are 5/12 A; 50 Ah last 50·12/5 = 120 h, five
// days. At 12.4 V the battery is three quarters full and 5/12.4 A flow: 25 Ah
// last 25·12.4/5 = 62 h. A battery of 24 V has half the current for the same
// power: 25·24.8/5 = 124 h.
func TestHowLongABatteryFeedsTheLogger(t *testing.T) {
	five := Supply{Starter: true, Power: 5, Capacity: 100}
	for _, c := range []struct {
		s             Supply
		volts, charge float64
		hours         float64
		known         bool
	}{
		{five, 12, 1, 120, true},
		{five, 12.4, RestCharge(12.4, 1), 62, true},
		{five, 24.8, RestCharge(24.8, 2), 124, true},
		{five, 12.2, RestCharge(12.2, 1), 0, true},
		{five, 11.8, RestCharge(11.8, 1), 0, true},
		{Supply{Starter: true, Current: 0.5, Capacity: 60}, 12.6, 1, 60, true},
		{Supply{Starter: true, Power: 5}, 12, 1, 0, false},
		{Supply{Starter: true, Capacity: 100}, 12, 1, 0, false},
	} {
		got, known := c.s.UntilHalf(c.volts, c.charge)
		if want := time.Duration(c.hours * float64(time.Hour)); known != c.known || (got-want).Abs() > time.Second {
			t.Errorf("%+v at %g V and a charge of %g: %s, %v; want %s, %v", c.s, c.volts, c.charge, got, known, want, c.known)
		}
	}
	if w := five.Words(12); w != "0.42 A from the starter battery, 10.0 Ah a day, half of 100 Ah in 5.0 days" {
		t.Error(w)
	}
	if w := (Supply{Power: 5}).Words(12); w != "" {
		t.Error(w)
	}
	if w := (Supply{Starter: true}).Words(12); w != "from the starter battery; what it draws is not given" {
		t.Error(w)
	}
}

// Between the rows of the makers' table the charge is taken in a straight line.
func TestChargeByRestVoltage(t *testing.T) {
	for volts, want := range map[float64]float64{11: 0, 11.7: 0, 12.0: 0.25, 12.1: 0.375, 12.2: 0.5, 12.5: 0.875, 12.6: 1, 12.9: 1} {
		if got := RestCharge(volts, 1); math.Abs(got-want) > 1e-9 {
			t.Errorf("%g V: %g, want %g", volts, got, want)
		}
		if got := RestCharge(2*volts, 2); math.Abs(got-want) > 1e-9 {
			t.Errorf("two blocks at %g V: %g, want %g", 2*volts, got, want)
		}
	}
}
