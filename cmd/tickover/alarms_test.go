package main

import (
	"strings"
	"testing"

	"tickover/cmd/tickover/api"
	"tickover/model"
)

// TestAlarmsThatStandComeFirst: eighty rows scroll off a screen, and the one
// that matters may be of low priority.
func TestAlarmsThatStandComeFirst(t *testing.T) {
	var out strings.Builder
	rows := []api.Alarm{
		{Rule: "quiet", State: model.AlarmNormal.String(), Watching: true},
		{Rule: "asleep", State: model.AlarmSuppressedByDesign.String(), Why: "nothing to watch for at standstill"},
		{Rule: "first", State: model.AlarmReturnedUnacknowledged.String(), Watching: true},
		{Rule: "second", State: model.AlarmOutOfService.String(), Watching: true},
	}
	if err := printAlarms(&out, rows); err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, line := range strings.Split(out.String(), "\n")[1:5] {
		got = append(got, strings.Fields(line)[0])
	}
	if strings.Join(got, " ") != "first second quiet asleep" {
		t.Errorf("the order is %v", got)
	}
}

// TestAlarmsWithoutADaemon: an empty list would read as if all were well.
func TestAlarmsWithoutADaemon(t *testing.T) {
	var out strings.Builder
	if err := printAlarms(&out, nil); err != nil || !strings.HasPrefix(out.String(), "no daemon runs") {
		t.Errorf("printed %q, %v", out.String(), err)
	}
}

// TestARunIsOpenOnlyWhileItIs: without a clock a run that ended has no time of
// day to show, and is not going on for that.
func TestARunIsOpenOnlyWhileItIs(t *testing.T) {
	const at = "2025-11-08 18:20:00 UTC"
	for _, c := range []struct {
		row  api.Run
		want string
	}{
		{api.Run{Open: true}, "still going"},
		{api.Run{EndDate: at}, at},
		{api.Run{EndDate: at, CutShort: "power failed"}, at + ": power failed"},
	} {
		if got := c.row.End(); got != c.want {
			t.Errorf("%+v ends %q, want %q", c.row, got, c.want)
		}
	}
}

// TestOneCountIsInTheUnitPeopleRead: a count of energy is not a joule because
// its power of ten stands elsewhere.
func TestOneCountIsInTheUnitPeopleRead(t *testing.T) {
	exponent := uint16(54)
	for _, c := range []struct {
		point model.Point
		want  string
	}{
		{model.Point{Quantity: model.Energy, Register: model.Register{Type: model.Uint32, Resolution: model.Resolution{Num: 3600, Den: 1}, Exponent: &exponent}}, "0.001 kWh × 10^(register 54)"},
		{model.Point{Quantity: model.Voltage, Register: model.Register{Type: model.Int16, Exponent: &exponent}}, "1 V × 10^(register 54)"},
		{model.Point{Quantity: model.Speed, Register: model.Register{Type: model.Uint16, Resolution: model.Resolution{Num: 1, Den: 60}}}, "1 r/min"},
		{model.Point{Quantity: model.Pressure, Register: model.Register{Type: model.Int16, Resolution: model.Resolution{Num: 125, Den: 2}}}, "0.000625 bar"},
		{model.Point{Quantity: model.Temperature, Register: model.Register{Type: model.Int16, Resolution: model.Resolution{Num: 1, Den: 10}}}, "0.1 °C"},
		{model.Point{Quantity: model.Count, Register: model.Register{Type: model.Uint16}}, "1"},
	} {
		if got := countWords(c.point); got != c.want {
			t.Errorf("one count of %v is %q, want %q", c.point.Quantity, got, c.want)
		}
	}
}
