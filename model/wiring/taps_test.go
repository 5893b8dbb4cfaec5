package wiring

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"tickover/model"
)

// running hands a watch seconds of a set at rated speed by its pickup and oil,
// with or without volts at the meter.
func runningWith(w *Evidence, from, seconds int, volts float64, engine map[model.PointID]float64) {
	for i := from; i < from+seconds; i++ {
		at := model.Instant{Boot: 1, Offset: time.Duration(i) * time.Second}
		one := &model.Scan{Group: "engine/1s", At: at}
		for id, v := range engine {
			one.Samples = append(one.Samples, model.GoodSample(id, v))
		}
		one.Measured = len(one.Samples)
		state := model.GoodSample(model.EngineStatePoint, float64(model.Unloaded))
		one.Samples = append(one.Samples, state)
		w.Step(one)
		meter := &model.Scan{Group: "meter/1s", At: at}
		put := func(id model.PointID, v float64) { meter.Samples = append(meter.Samples, model.GoodSample(id, v)) }
		for k := range 3 {
			put(model.PhaseVoltages[k], volts)
			put(model.PhaseCurrents[k], 0)
		}
		put(model.FrequencyPoint, min(volts, 50))
		meter.Measured = len(meter.Samples)
		meter.Samples = append(meter.Samples, state)
		w.Step(meter)
	}
}

// Voltage taps below the breaker: the volts vanish with it, the frequency with
// them, and the set runs on unseen.
func TestVoltageTapsBelowTheBreaker(t *testing.T) {
	running := map[model.PointID]float64{model.SpeedPoint: 25, model.OilPressure: 3.5e5}
	for _, c := range []struct {
		name   string
		engine map[model.PointID]float64
		volts  []float64 // half a minute each
		want   model.Outcome
	}{
		{"volts all the time", running, []float64{230, 230}, model.Pass},
		{"gone and back", running, []float64{230, 0, 230}, model.Finding},
		{"never there", running, []float64{0, 0}, model.CannotTell},
		{"not excited: residual volts", running, []float64{230, 7, 230}, model.Pass},
		{"by oil pressure alone", map[model.PointID]float64{model.OilPressure: 3.5e5}, []float64{230, 0, 230}, model.Finding},
		{"nothing shows that it turns", map[model.PointID]float64{model.CoolantTemperature: 80}, []float64{230, 0, 230}, model.CannotTell},
		{"turning slowly", map[model.PointID]float64{model.SpeedPoint: 10, model.OilPressure: 2e5}, []float64{230, 0, 230}, model.CannotTell},
	} {
		w := NewEvidence(hatchery())
		for i, v := range c.volts {
			runningWith(w, 30*i, 30, v, c.engine)
		}
		got := coded(t, w.Checks(simulated), "C38")
		if got.Outcome != c.want || c.want == model.Finding && !strings.Contains(got.Do, "breaker") {
			t.Errorf("%s: %+v", c.name, got)
		}
	}
}

// One value that repeats its last digit says nothing about how often a device
// takes new values; several that stand still together do.
func TestRefreshIsNotJudgedByOneDigit(t *testing.T) {
	poll := func(points int, value func(point, i int) float64) model.Check {
		w := NewEvidence(hatchery())
		ids := []model.PointID{model.FrequencyPoint, model.VoltageL1N, model.VoltageL2N, model.VoltageL3N}[:points]
		for i := range 120 {
			scan := &model.Scan{Group: "meter/fast", At: model.Instant{Boot: 1, Offset: time.Duration(i) * 200 * time.Millisecond}, Measured: points}
			for k, id := range ids {
				scan.Samples = append(scan.Samples, model.GoodSample(id, value(k, i)))
			}
			scan.Samples = append(scan.Samples, model.GoodSample(model.EngineStatePoint, float64(model.Loaded)))
			w.Step(scan)
		}
		return w.refresh()
	}
	digit := func(k, i int) float64 { return 50 + 0.1*float64(i/5%2) }          // 0.1 Hz back and forth
	held := func(k, i int) float64 { return 230 + float64(k) + float64(i/5)/7 } // all new each second
	free := func(k, i int) float64 { return 230 + float64(k) + float64(i)/7 }
	mixed := func(k, i int) float64 {
		if k == 0 {
			return digit(k, i)
		}
		return free(k, i)
	}
	for _, c := range []struct {
		name   string
		got    model.Check
		want   model.Outcome
		slow   bool
		phrase string
	}{
		{"frequency alone", poll(1, digit), model.CannotTell, false, "only frequency"},
		{"four that move", poll(4, free), model.Pass, false, "nearly every poll"},
		{"one digit among them", poll(4, mixed), model.Pass, false, "nearly every poll"},
		{"all held for a second", poll(4, held), model.Pass, true, "a new value every 1 s"},
	} {
		if c.got.Outcome != c.want || !strings.Contains(c.got.Words, c.phrase) || c.slow != strings.Contains(c.got.Words, "gains nothing") {
			t.Errorf("%s: %+v", c.name, c.got)
		}
	}
}

// The hint for a clamp shows a current, that for the battery a battery's volts.
func TestHintsShowWhatTheCheckNeeds(t *testing.T) {
	all := NewEvidence(hatchery()).Checks(simulated)
	for code, example := range map[string]string{"C03": `voltage.l1n "230.4 V"`, "C14": `current.l1 "12.5 A"`, "C29": `battery.voltage "12.6 V"`} {
		c := coded(t, all, code)
		if want := fmt.Sprintf("tickover measure take %q %s", "hand meter", example); !strings.HasSuffix(c.Words, want) {
			t.Errorf("%s: %q does not end with %q", code, c.Words, want)
		}
	}
}
