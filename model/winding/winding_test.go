package winding

import (
	"errors"
	"math"
	"strings"
	"testing"
	"time"

	"tickover/model"
	"tickover/testdata/reference"
)

func TestCorrectionsOfIEEE43(t *testing.T) {
	for _, row := range reference.Rows(t, "ieee43_kt.csv") {
		at := row.Number(t, "winding_T_C")
		reference.Near(t, "halving", halvingFactor(at), row.Number(t, "KT_halving_per_10C"), 5e-5)
		k, inside := thermosettingFactor(at)
		reference.Near(t, "thermosetting", k, row.Number(t, "KT_thermosetting_2013_memory"), 5e-5)
		if inside == strings.Contains(row["remark"], "outside") {
			t.Errorf("%v °C: inside is %v", at, inside)
		}
	}
	for _, row := range reference.Rows(t, "ieee43_examples.csv") {
		r, at := row.Number(t, "R_measured_Mohm"), row.Number(t, "T_C")
		k, _ := thermosettingFactor(at)
		reference.Near(t, row["source"], r*halvingFactor(at), row.Number(t, "R40_halving_Mohm"), 5e-4)
		reference.Near(t, row["source"], r*k, row.Number(t, "R40_thermosetting_Mohm"), 5e-4)
	}
}

// Readings needed for 5 MΩ at 40 °C and the rule kV + 1 for 400 V.
func TestVerdictsOfInsulation(t *testing.T) {
	rating := model.Rating{Voltage: 400}
	for _, c := range []struct {
		mohm, at float64
		want     model.Verdict
		old      model.Verdict
	}{{28.4, 15, model.Within, model.Within}, {28.2, 15, model.Outside, model.Within}, {1.2, 15, model.Outside, model.Outside}, {1.26, 60, model.Within, model.Within}} {
		f := insulation(&model.Measurement{Kind: model.InsulationKind, Value: c.mohm * 1e6, Conditions: map[string]float64{model.WindingTemperature: c.at}}, rating)
		if f[0].Verdict != c.want || f[2].Verdict != c.old {
			t.Errorf("%v MΩ at %v °C: %v and %v", c.mohm, c.at, f[0].Verdict, f[2].Verdict)
		}
	}
	if f := insulation(&model.Measurement{Value: 1e6}, rating); f[0].Known {
		t.Error("judged without a temperature")
	}
	reference.Near(t, "kV + 1", minimumOld(400), 1.4e6, 1)
}

func ir(seq uint64, hours, mohm, at float64) model.Event {
	return model.Event{Seq: seq, At: model.Instant{Boot: 1, Offset: time.Duration(hours * float64(time.Hour))}, Kind: model.MeasurementEvent,
		Hand: &model.Measurement{Kind: model.InsulationKind, Points: "U-E", Quantity: model.Resistance, Value: mohm * 1e6,
			Conditions: map[string]float64{model.WindingTemperature: at, model.After30Seconds: mohm * 0.8e6, model.After10Minutes: mohm * 2.5e6}}}
}

func TestRatios(t *testing.T) {
	f := Judge(ir(1, 0, 160, 40).Hand, model.Rating{}, time.Time{})
	reference.Near(t, "DAR", f[3].Value, 1.25, 1e-9)
	reference.Near(t, "PI", f[4].Value, 2.5, 1e-9)
	if f := Judge(ir(1, 0, 6000, 40).Hand, model.Rating{}, time.Time{}); f[4].Known {
		t.Error("a polarization index above 5 GΩ")
	}
}

func TestDryOutFallsRisesAndLevels(t *testing.T) {
	events := []model.Event{ir(1, 0, 2, 15), ir(2, 1, 0.4, 40), ir(3, 2, 0.8, 60), ir(4, 3, 1.4, 62), ir(5, 4, 2.3, 60), ir(6, 4.6, 2.35, 60), ir(7, 5.2, 2.4, 60)}
	for n, want := range map[int]bool{2: false, 4: false, 6: false, 7: true} {
		d := DryOut(events[:n], model.Clock{}, EngineCost{Water: math.NaN(), DrySince: math.NaN()})
		if d.Plateau != want {
			t.Errorf("after %d readings plateau is %v: %s", n, d.Plateau, d.Words)
		}
	}
	d := DryOut(events, model.Clock{}, EngineCost{ColdIdle: 1500, OverExcited: 40, Water: math.NaN(), DrySince: math.NaN()})
	reference.Near(t, "hours", d.Rows[6].Hours, 5.2, 1e-9)
	reference.Near(t, "slope in decades an hour", d.Figures[0].Value, math.Log10(2.4/2.3)/1.2, 1e-4)
	if d.Figures[2].Verdict != model.Outside || d.Figures[3].Verdict != model.Outside || d.Figures[4].Known {
		t.Errorf("cost %+v", d.Figures)
	}
	if DryOut(events[:1], model.Clock{}, EngineCost{}) != nil {
		t.Error("one reading is no dry-out")
	}
	low := []model.Event{ir(1, 0, 0.4, 60), ir(2, 1, 0.4, 60), ir(3, 2, 0.4, 60)}
	if DryOut(low, model.Clock{}, EngineCost{}).Plateau {
		t.Error("level below the minimum is not dry")
	}
}

func TestMeterOfADryOut(t *testing.T) {
	var m CostCounter
	for i := range 3601 {
		out := 0.010
		if i > 1000 {
			out = 0.0082
		}
		m.Step(&model.Scan{At: model.Instant{Boot: 1, Offset: time.Duration(i) * time.Second}, Samples: []model.Sample{
			model.GoodSample(model.EngineStatePoint, float64(model.Idling)), model.GoodSample(model.CoolantTemperature, 30+float64(i)/60),
			model.GoodSample(model.VoltsPerHertzRatio, 1.2), model.GoodSample(humidityIn, 0.008), model.GoodSample(humidityOut, out), model.GoodSample(airFlow, 0.5)}})
	}
	c := m.Cost()
	reference.Near(t, "idle", c.Idle, 3600, 1)
	reference.Near(t, "cold idle", c.ColdIdle, 1800, 2)
	reference.Near(t, "over-excited", c.OverExcited, 3600, 1)
	reference.Near(t, "water in kg", c.Water, 0.002*0.5*1000+0.0002*0.5*2600, 1e-3)
	reference.Near(t, "dry since", c.DrySince, 2600, 2)
}

func winding(seq uint64, point, stage string, ohms, at float64) model.Event {
	return model.Event{Seq: seq, Hand: &model.Measurement{Kind: model.WindingKind, Points: point, Quantity: model.Resistance, Value: ohms, Stage: stage,
		Conditions: map[string]float64{model.WindingTemperature: at}}}
}

func TestBeforeAndAfterSideBySide(t *testing.T) {
	events := []model.Event{winding(1, "U", "before", 0.5, 20), winding(2, "V", "before", 0.5, 20), winding(3, "W", "before", 5.3, 20),
		winding(4, "W", "before", 0.53, 20), winding(5, "U", "after", 0.6, 72)}
	events[3].Hand.Corrects = 3
	got := Rows(events, model.Rating{}, model.Clock{})
	if len(got) != 3 || got[0].Before.Value != 0.5 || got[0].After.Value != 0.6 || got[2].Before.Seq != 4 || got[2].After != nil {
		t.Fatalf("%+v", got)
	}
	reference.Near(t, "mean winding temperature", got[0].Figures[1].Value, 0.6/0.5*254.5-234.5, 1e-9)
	spread := got[2].Figures[len(got[2].Figures)-1]
	r20 := at20(0.6, 72)
	reference.Near(t, "spread", spread.Value, 100*relativeSpread([]float64{r20, 0.5, 0.53}), 1e-9)
	if spread.Verdict != model.Outside {
		t.Error(spread)
	}
}

func TestWhatIsRefused(t *testing.T) {
	now := time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)
	good := func() *model.Measurement {
		return &model.Measurement{Kind: model.InsulationKind, Points: "U-E", Quantity: model.Resistance, Value: 20e6,
			Conditions: map[string]float64{model.WindingTemperature: 15}, Ticks: model.TicksBefore500V}
	}
	if err := good().Vet(now); err != nil {
		t.Fatal(err)
	}
	for name, spoil := range map[string]func(*model.Measurement){
		"no temperature":     func(m *model.Measurement) { m.Conditions = nil },
		"no place":           func(m *model.Measurement) { m.Points = "" },
		"another quantity":   func(m *model.Measurement) { m.Quantity = model.Voltage },
		"the future":         func(m *model.Measurement) { m.Taken = now.Add(time.Hour) },
		"no kind":            func(m *model.Measurement) { m.Kind = "gut feeling" },
		"no number":          func(m *model.Measurement) { m.Value = math.NaN() },
		"ticks passed over":  func(m *model.Measurement) { m.Ticks = m.Ticks[:4] },
		"a foreign name":     func(m *model.Measurement) { m.Conditions["oil"] = 3 },
		"kelvin for celsius": func(m *model.Measurement) { m.Conditions[model.WindingTemperature] = 288 },
		"unit slipped":       func(m *model.Measurement) { m.Kind, m.Value, m.Ticks = model.WindingKind, 20e6, nil },
	} {
		m := good()
		spoil(m)
		var r *model.Refusal
		if err := m.Vet(now); !errors.As(err, &r) {
			t.Errorf("%s: taken (%v)", name, err)
		}
	}
	m := good()
	m.Ticks = []string{model.NotTicked + "bare alternator on the bench"}
	if err := m.Vet(now); err != nil {
		t.Error(err)
	}
	if open := OpenTicks([]model.Event{{Hand: m}}); len(open) != 9 {
		t.Errorf("%d open ticks", len(open))
	}
}

func TestOtherVerdicts(t *testing.T) {
	for _, c := range []struct {
		m    model.Measurement
		want model.Verdict
	}{
		{model.Measurement{Kind: model.EarthKind, Value: 0.09}, model.Within},
		{model.Measurement{Kind: model.EarthKind, Value: 0.3}, model.Outside},
		{model.Measurement{Kind: model.NeutralEarthKind, Value: 0}, model.Outside},
		{model.Measurement{Kind: model.PhaseRotation, Value: 1}, model.Within},
		{model.Measurement{Kind: model.ResidualKind, Value: 0.2, Conditions: map[string]float64{model.TestCurrentRatio: 1}}, model.Within},
		{model.Measurement{Kind: model.ResidualKind, Value: 0.05, Conditions: map[string]float64{model.TestCurrentRatio: 5}}, model.Outside},
		{model.Measurement{Kind: model.ResidualKind, Value: 0.2, Conditions: map[string]float64{model.TestCurrentRatio: 0.5}}, model.Outside},
		{model.Measurement{Kind: model.BatteryRestKind, Value: 12.5, Conditions: map[string]float64{"rested": 36000}}, model.Within},
		{model.Measurement{Kind: model.BatteryRestKind, Value: 24.2, Conditions: map[string]float64{"rested": 36000}}, model.Outside},
		{model.Measurement{Kind: model.BatteryRestKind, Value: 12.7, Conditions: map[string]float64{"rested": 600}}, model.NotDetermined},
	} {
		if got := Judge(&c.m, model.Rating{}, time.Time{})[0]; got.Verdict != c.want {
			t.Errorf("%s %v: %v (%s)", c.m.Kind, c.m.Value, got.Verdict, got.Reason)
		}
	}
}

// An instrument whose calibration did not count is said beside every figure
// made with it.
func TestInstrumentsCalibrationIsJudged(t *testing.T) {
	noon := time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)
	for _, c := range []struct {
		instrument string
		at, taken  time.Time
		want       model.Verdict
		words      string
	}{
		{"tester 12, calibrated 2026-03", noon, time.Time{}, model.Within, ""},
		{"tester 12, calibrated 2025-03", noon, time.Time{}, model.Outside, "its calibration of 2025-03-31 is older than 12 months"},
		{"tester 12, calibrated 2025-03, valid 24 months", noon, time.Time{}, model.Within, ""},
		{"tester 12, calibrated 2025-03", noon, noon.AddDate(-1, 0, 0), model.Within, ""},
		{"tester 12, calibrated 2027-01", noon, time.Time{}, model.Outside, "its calibration is dated 2027-01-31, which was still to come"},
		{"tester 12", noon, time.Time{}, model.NotDetermined, "the calibration date is missing: enter for example tester 12, calibrated 2026-03"},
		{"tester 12, calibrated 2026-03", time.Time{}, time.Time{}, model.NotDetermined, "the date of the measurement is not known"},
	} {
		m := model.Measurement{Kind: model.EarthKind, Value: 0.05, Instrument: c.instrument, Taken: c.taken}
		got := Judge(&m, model.Rating{}, c.at)
		if f := got[len(got)-1]; len(got) != 2 || f.Verdict != c.want || f.Reason != c.words {
			t.Errorf("%s: %+v", c.instrument, got)
		}
	}
	if got := Judge(&model.Measurement{Kind: model.EarthKind, Value: 0.05}, model.Rating{}, noon); len(got) != 1 {
		t.Errorf("no instrument: %+v", got)
	}
}
