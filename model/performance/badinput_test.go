package performance

import (
	"errors"
	"math"
	"strings"
	"testing"
	"time"

	"tickover/model"
)

// without drops points from every scan.
func without(points ...model.PointID) func(*model.Scan) {
	return func(s *model.Scan) {
		kept := s.Samples[:0]
		for _, q := range s.Samples {
			drop := false
			for _, p := range points {
				drop = drop || q.Point == p
			}
			if !drop {
				kept = append(kept, q)
			}
		}
		s.Samples = kept
	}
}

func honest(t *testing.T, rec *model.RunRecord) {
	t.Helper()
	check := func(list []model.Figure) {
		for _, f := range list {
			if !f.Known && f.Reason == "" {
				t.Errorf("%s is not known for no reason", f.Name)
			}
			if !f.Known && (f.Verdict == model.Within || f.Verdict == model.Outside) {
				t.Errorf("%s is not known but %s", f.Name, f.Verdict)
			}
			if math.IsNaN(f.Value) || math.IsInf(f.Value, 0) || math.IsNaN(f.Low) || math.IsInf(f.High, 0) {
				t.Errorf("%s holds no number: %+v", f.Name, f)
			}
		}
	}
	check(rec.Figures)
	for _, s := range rec.Steps {
		check(s.Figures)
	}
	for _, s := range rec.FirstStart {
		check(s.Figures)
	}
}

func TestBadInput(t *testing.T) {
	allBad := func(s *model.Scan) {
		for i := range s.Samples {
			s.Samples[i] = model.BadSample(s.Samples[i].Point, model.NoAnswer)
		}
	}
	unloaded := func(s *model.Scan) {
		for i, q := range s.Samples {
			if k, _ := model.KnownQuantity(q.Point); k == model.ActivePower || k == model.Current {
				s.Samples[i].Value = 0
			}
		}
	}
	for name, in := range map[string]Input{
		"no rating":    func() Input { in := day(nil); in.Rating = model.Rating{}; return in }(),
		"no frequency": day(without(model.FrequencyPoint)),
		"no power":     day(without(model.PowerActive, model.PowerActiveL1, model.PowerActiveL2, model.PowerActiveL3, model.PhasePowerFactor[0], model.PhasePowerFactor[1], model.PhasePowerFactor[2])),
		"no load":      day(unloaded),
		"all bad":      day(allBad),
		"one phase":    day(without(model.VoltageL2N, model.VoltageL3N, model.VoltageL12, model.VoltageL23, model.VoltageL31, model.CurrentL2, model.CurrentL3)),
		"no states":    func() Input { in := day(nil); in.Run.States = nil; return in }(),
		"no scans":     {},
	} {
		t.Run(name, func(t *testing.T) {
			rec := record(t, in)
			honest(t, rec)
			if len(rec.Findings) == 0 || len(rec.Figures) < int(keys) {
				t.Errorf("%d findings, %d figures", len(rec.Findings), len(rec.Figures))
			}
			if name == "no states" {
				if len(rec.Steps) != 10 {
					t.Errorf("%d steps without engine states, want 10", len(rec.Steps))
				}
				return
			}
			if f := named(t, rec, "frequency droop"); f.Known && name != "one phase" {
				t.Errorf("droop %+v", f)
			}
		})
	}
}

func TestScanErrorIsReturned(t *testing.T) {
	broken := errors.New("block 7 is damaged")
	_, err := Record(Input{Run: model.Run{ID: "4"}, Scans: func(yield func(*model.Scan, error) bool) { yield(nil, broken) }})
	if !errors.Is(err, broken) || !strings.Contains(err.Error(), "run 4") {
		t.Errorf("got %v", err)
	}
}

// A reboot in the middle: nothing is averaged or integrated across it.
func TestReboot(t *testing.T) {
	in := day(func(s *model.Scan) {
		if s.At.Offset > 3000*time.Second {
			s.At.Boot, s.At.Offset = 2, s.At.Offset-3000*time.Second
		}
	})
	later := func(at model.Instant) model.Instant {
		if at.Offset > 3000*time.Second {
			return model.Instant{Boot: 2, Offset: at.Offset - 3000*time.Second}
		}
		return at
	}
	for i, s := range in.Run.States {
		in.Run.States[i].From, in.Run.States[i].To = later(s.From), later(s.To)
	}
	rec := record(t, in)
	honest(t, rec)
	if len(rec.Steps) != 10 || !strings.Contains(rec.Findings[0], "1 gap") {
		t.Errorf("%d steps, %q", len(rec.Steps), rec.Findings[0])
	}
	for _, s := range rec.Steady {
		if s.From.Boot != s.To.Boot {
			t.Errorf("a span from %s to %s", s.From, s.To)
		}
	}
}

// A hole in the readings around a step voids what it touches.
func TestHoleAtStep(t *testing.T) {
	rec := record(t, day(func(s *model.Scan) {
		if at := s.At.Offset.Seconds(); at > 1110.2 && at < 1118 {
			for i := range s.Samples {
				s.Samples[i] = model.BadSample(s.Samples[i].Point, model.NoAnswer)
			}
		}
	}))
	for _, s := range rec.Steps {
		if s.To < 39e3 {
			continue
		}
		for _, f := range s.Figures {
			if f.Verdict == model.Within {
				t.Errorf("%s is within across a hole: %+v", f.Name, f)
			}
		}
	}
}
