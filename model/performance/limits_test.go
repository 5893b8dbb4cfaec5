package performance

import (
	"math"
	"regexp"
	"slices"
	"strconv"
	"testing"

	"tickover/model"
	"tickover/testdata/reference"
)

var digits = regexp.MustCompile(`[0-9]+(\.[0-9]+)?`)

// Every row of the class table that this program judges, against the table's
// own cells.
func TestClassTable(t *testing.T) {
	byRow := map[string]key{
		"frequency_droop": droop, "steady_state_frequency_band": band,
		"transient_freq_difference_load_off_100pct": differenceOff, "transient_freq_difference_load_on": differenceOn,
		"transient_freq_deviation_from_rated_load_on": deviationOn,
		"frequency_recovery_time_load_on":             frequencyRecoveryOn, "frequency_recovery_time_load_off": frequencyRecoveryOff,
		"steady_state_voltage_deviation": voltageDeviation, "voltage_unbalance_no_load": unbalanceNoLoad,
		"transient_voltage_load_off_100pct": voltageRise, "transient_voltage_load_on": voltageDip,
		"voltage_recovery_time_load_on": voltageRecoveryOn, "voltage_recovery_time_load_off": voltageRecoveryOff,
		"voltage_modulation": modulation,
	}
	for _, row := range reference.Rows(t, "iso8528_5_classes.csv") {
		k, judged := byRow[row["characteristic"]]
		if judged {
			delete(byRow, row["characteristic"])
		}
		for i := range classes {
			cell := row[sets[i].name]
			want, err := strconv.ParseFloat(digits.FindString(cell), 64)
			l, limited := sets[i].limits[k]
			switch {
			case row["characteristic"] == "related_frequency_tolerance_band":
				l.max = sets[i].tolerance
			case !judged:
				continue
			case limited != (err == nil):
				t.Errorf("%s %s: limited %v, the table says %q", row["characteristic"], sets[i].name, limited, cell)
			}
			if err == nil && l.max != want {
				t.Errorf("%s %s: %v, the table says %q", row["characteristic"], sets[i].name, l.max, cell)
			}
			if judged && row["unit"] != subjects[k].unit {
				t.Errorf("%s: unit %q, the table says %q", row["characteristic"], subjects[k].unit, row["unit"])
			}
		}
	}
	if len(byRow) > 0 {
		t.Errorf("not in the table: %v", byRow)
	}
}

// synthetic is a run of spans without noise: no load, then full load.
func synthetic(noLoad, full, share float64) Input {
	in := Input{Rating: model.Rating{ApparentPower: 50e3, PowerFactor: 0.8, Voltage: 400, Frequency: 50}}
	in.Run = model.Run{ID: "1", Started: instant(0), States: []model.StateSpan{{State: model.Loaded, From: instant(0), To: instant(900)}}}
	in.Scans = func(yield func(*model.Scan, error) bool) {
		for t := 1.0; t < 400; t++ {
			f, p := noLoad, 0.0
			if t > 200 {
				f, p = full, 40e3*share
			}
			s := &model.Scan{Group: "meter/1s", At: instant(t), Samples: []model.Sample{
				model.GoodSample(model.FrequencyPoint, f), model.GoodSample(model.PowerActive, p)}}
			for k := range 3 {
				s.Samples = append(s.Samples, model.GoodSample(model.PhaseVoltages[k], 231-p/40e3))
			}
			if !yield(s, nil) {
				return
			}
		}
	}
	return in
}

func named(t *testing.T, rec *model.RunRecord, name string) model.Figure {
	t.Helper()
	for _, f := range rec.Figures {
		if f.Name == name {
			return f
		}
	}
	t.Fatalf("no figure %q", name)
	return model.Figure{}
}

// The droop examples of the standard's definition and of published no-load
// maxima.
func TestDroopExamples(t *testing.T) {
	for _, row := range reference.Rows(t, "droop_examples.csv") {
		noLoad, full, want := row.Number(t, "no_load_hz"), row.Number(t, "full_load_hz"), row.Number(t, "droop_pct")
		f := named(t, record(t, synthetic(noLoad, full, 1)), "frequency droop")
		if math.Abs(f.Value-want) > 1e-9 || !f.Known {
			t.Errorf("%v to %v Hz: %+v, want %v %%", noLoad, full, f, want)
		}
	}
	in := synthetic(52, 50, 1) // 4.0 %: G2 within, G3 outside
	for class, want := range map[string]model.Verdict{"G1": model.Within, "G2": model.Within, "G3": model.Outside} {
		in.Limits = class
		if f := named(t, record(t, in), "frequency droop"); f.Verdict != want {
			t.Errorf("%s: %v, want %v", class, f.Verdict, want)
		}
	}
}

// A droop from half load is extended, and not judged to be within.
func TestDroopFromHalfLoad(t *testing.T) {
	f := named(t, record(t, synthetic(52, 51, 0.5)), "frequency droop")
	if math.Abs(f.Value-4) > 1e-9 || f.Verdict != model.NotDetermined || f.Reason == "" {
		t.Errorf("%+v", f)
	}
	in := synthetic(53, 51, 0.5) // already 4 % of fall at half load
	in.Limits = "G3"
	if f := named(t, record(t, in), "frequency droop"); f.Verdict != model.Outside {
		t.Errorf("%+v", f)
	}
}

// Limits of the user's own stand on those of the set they are based on, and
// say whose they are.
func TestOwnLimits(t *testing.T) {
	in := synthetic(52, 50, 1) // 4 % of droop
	in.Own = []model.LimitSet{
		{Name: "buyer", BasedOn: "G2", Source: "contract", Limits: map[string]float64{"frequency droop": 0.035, "frequency recovery, load on": 3}},
		{Name: "G4", Limits: map[string]float64{"frequency droop": 0.045}},
	}
	in.Limits = "buyer"
	rec := record(t, in)
	if f := named(t, rec, "frequency droop"); f.Verdict != model.Outside || f.Limit != "≤ 3.5 %" || f.LimitSource != "contract" || f.Confidence != "the user's own" {
		t.Errorf("%+v", f)
	}
	if f := named(t, rec, "steady-state frequency band"); f.Verdict != model.Within || f.Limit != "≤ 1.5 %" || f.LimitSource != "ISO 8528-5 Table 4, class G2" {
		t.Errorf("%+v", f)
	}
	if f := named(t, rec, "frequency recovery, load on"); f.Limit != "≤ 3 s" {
		t.Errorf("%+v", f)
	}
	in.Limits = "G4"
	if f := named(t, record(t, in), "frequency droop"); f.Verdict != model.Within || f.Limit != "≤ 4.5 %" {
		t.Errorf("%+v", f)
	}
	in.Own = nil
	rec = record(t, in)
	if f := named(t, rec, "frequency droop"); f.Verdict != model.NoLimit || rec.Class != "ISO 8528-5 G4" {
		t.Errorf("%+v", f)
	}
}

// The published sets are those that the configuration lets one judge by.
func TestPublishedSets(t *testing.T) {
	var names []string
	for _, s := range sets {
		names = append(names, s.name)
	}
	if !slices.Equal(names, model.PublishedLimitSets()) {
		t.Errorf("%q, the configuration knows %q", names, model.PublishedLimitSets())
	}
}
