package model

import (
	"strconv"
	"strings"
	"testing"
	"time"

	"tickover/testdata/reference"
)

// The classes are those of ISO 8528-5; testdata/reference names where each
// figure was seen.
func TestBehaviourIsThatOfThePublishedClasses(t *testing.T) {
	seen := 0
	for _, row := range reference.Rows(t, "iso8528_5_classes.csv") {
		for _, class := range []string{"G1", "G2", "G3"} {
			b := Rating{Class: class}.Behaviour()
			got, ok := map[string]float64{
				"frequency_droop": b.Droop * 100, "steady_state_frequency_band": b.Band * 100,
				"transient_freq_difference_load_off_100pct":   b.FrequencyRise * 100,
				"transient_freq_deviation_from_rated_load_on": b.FrequencyDip * 100,
				"frequency_recovery_time_load_on":             b.FrequencyRecovery.Seconds(),
				"frequency_recovery_time_load_off":            b.FrequencyRecovery.Seconds(),
				"transient_voltage_load_off_100pct":           b.VoltageRise * 100,
				"transient_voltage_load_on":                   b.VoltageDip * 100,
				"voltage_recovery_time_load_on":               b.VoltageRecovery.Seconds(),
				"voltage_recovery_time_load_off":              b.VoltageRecovery.Seconds(),
			}[row["characteristic"]]
			if !ok {
				continue
			}
			seen++
			want, err := strconv.ParseFloat(strings.Trim(row[class], "<>=+-"), 64)
			if err != nil {
				t.Fatal(err)
			}
			if diff := got - want; diff > 1e-9 || diff < -1e-9 {
				t.Errorf("%s of %s is %v, published is %v", row["characteristic"], class, got, want)
			}
		}
	}
	if seen != 30 {
		t.Errorf("%d figures held against the table, want 30", seen)
	}
}

func TestWhatIsAssumedOfACard(t *testing.T) {
	bare := Rating{Frequency: 50, Poles: 4}
	full := bare
	full.Class = "G2"
	full.Card = Card{Droop: 0.04, Overspeed: 28, Unbalance: 0.1, Insulation: InsulationF, ThermostatOpens: 80, ThermostatFullOpen: 92}
	half := Card{ThermostatFullOpen: 92}
	other := Card{ThermostatOpens: 76}
	opens, fully := bare.Thermostat()
	ho, hf := half.Thermostat()
	oo, of := other.Thermostat()
	fo, ff := full.Thermostat()
	for _, c := range []struct {
		what      string
		got, want float64
	}{
		{"droop of no class", bare.FrequencyDroop(), 0.08}, {"droop of the card", full.FrequencyDroop(), 0.04},
		{"droop of G2", Rating{Class: "G2"}.FrequencyDroop(), 0.05}, {"droop of a set of limits of one's own", Rating{Class: "buyer"}.FrequencyDroop(), 0.08},
		{"overspeed without a card", bare.OverspeedLimit(), 27.5}, {"overspeed of the card", full.OverspeedLimit(), 28},
		{"overspeed of nothing known", Rating{}.OverspeedLimit(), 0},
		{"unbalance without a card", bare.PermittedUnbalance(), 0.08}, {"unbalance of the card", full.PermittedUnbalance(), 0.1},
		{"winding without a card", bare.WindingLimit(), 130}, {"winding of class F", full.WindingLimit(), 155},
		{"thermostat without a card", opens, 82}, {"fully open without a card", fully, 88},
		{"thermostat of half a card", ho, 86}, {"fully open of half a card", hf, 92},
		{"thermostat of the other half", oo, 76}, {"fully open of the other half", of, 82},
		{"thermostat of a card", fo, 80}, {"fully open of a card", ff, 92},
		{"class A", InsulationA.Temperature(), 105}, {"class E", InsulationE.Temperature(), 120},
		{"class B", InsulationB.Temperature(), 130}, {"class F", InsulationF.Temperature(), 155}, {"class H", InsulationH.Temperature(), 180},
	} {
		if d := c.got - c.want; d > 1e-9 || d < -1e-9 {
			t.Errorf("%s is %v, want %v", c.what, c.got, c.want)
		}
	}
	if d := bare.Behaviour().FrequencyRecovery; d != 10*time.Second {
		t.Errorf("a set of no class recovers in %s, want that of G1", d)
	}
	for m, stops := range map[StopMeans]bool{BySolenoid: true, ByActuator: true, ByStopButton: false, ByLever: false} {
		if m.KeyStops() != stops {
			t.Errorf("the key stops a set stopped by %s: %v", m, m.KeyStops())
		}
	}
}
