package collector

import (
	"context"
	"errors"
	"log/slog"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"tickover/model"
)

// bench is a collector between fakes, on the bubble's clock.
type bench struct {
	*Collector
	line  *fakeLine
	judge *fakeJudge
	keep  *fakeKeeper
	log   *strings.Builder
}

func newBench(devices ...model.Device) *bench {
	start := time.Now()
	b := &bench{line: &fakeLine{dead: map[byte]bool{}}, judge: &fakeJudge{}, keep: &fakeKeeper{}, log: &strings.Builder{}}
	b.Collector = New(Parts{
		Setup: model.Setup{Lines: []model.Line{{Name: "skid"}}, Devices: devices},
		Lines: map[string]Line{"skid": b.line}, Judge: b.judge, Keep: b.keep,
		Derive: func(*model.Scan) *model.StateChange { return nil },
		Now:    func() model.Instant { return model.Instant{Boot: 1, Offset: time.Since(start) + time.Second} },
		Log:    slog.New(slog.NewTextHandler(b.log, nil)),
	})
	return b
}

func device(name string, unit byte) model.Device {
	return model.Device{Name: name, Line: "skid", Unit: unit, Timeout: 500 * time.Millisecond, Points: []model.Point{
		{ID: model.PointID(name + ".value"), Register: model.Register{Resolution: model.Resolution{Num: 1, Den: 10}}}}}
}

// runFor polls for a time and stops.
func (b *bench) runFor(d time.Duration) {
	ctx, stop := context.WithTimeout(context.Background(), d)
	defer stop()
	b.Run(ctx)
}

// fakeLine answers 2301 after 20 ms, or nothing within the timeout.
type fakeLine struct {
	dead  map[byte]bool
	slow  time.Duration
	asked map[byte]int
}

func (l *fakeLine) Read(ctx context.Context, q model.ReadRequest) (model.Answer, error) {
	if l.asked == nil {
		l.asked = map[byte]int{}
	}
	l.asked[q.Unit]++
	if l.dead[q.Unit] {
		time.Sleep(q.Timeout)
		return model.Answer{}, &model.ReadError{Cause: model.NoAnswer, Request: q.String()}
	}
	select {
	case <-time.After(20*time.Millisecond + l.slow):
	case <-ctx.Done():
		return model.Answer{}, &model.ReadError{Cause: model.NoAnswer, Request: q.String(), Err: ctx.Err()}
	}
	return model.Answer{Words: make2301(int(q.Count))}, nil
}

func make2301(n int) []uint16 {
	words := make([]uint16, n)
	for i := range words {
		words[i] = 2301
	}
	return words
}

func (l *fakeLine) Open(context.Context) error { return nil }
func (l *fakeLine) Health() model.LineHealth   { return model.LineHealth{Open: true} }
func (l *fakeLine) Close() error               { return nil }

type fakeJudge struct {
	fire    bool
	devices map[string]bool
}

func (j *fakeJudge) Step(s *model.Scan) []model.AlarmEvent {
	if !j.fire {
		return nil
	}
	return []model.AlarmEvent{{At: s.At, Rule: "r", Label: "something", To: model.AlarmUnacknowledged}}
}

func (j *fakeJudge) Device(_ model.Instant, name string, up bool) []model.AlarmEvent {
	if j.devices == nil {
		j.devices = map[string]bool{}
	}
	j.devices[name] = up
	return nil
}

func (j *fakeJudge) Status() []model.AlarmStatus {
	return []model.AlarmStatus{{State: map[bool]model.AlarmState{true: model.AlarmUnacknowledged}[j.fire]}}
}

type fakeKeeper struct {
	fail   error
	scans  []*model.Scan
	events []model.Event
	busy   bool
}

func (k *fakeKeeper) Hand(s *model.Scan, e []model.Event) error {
	if k.fail != nil {
		return k.fail
	}
	k.scans, k.events = append(k.scans, s), append(k.events, e...)
	return nil
}
func (k *fakeKeeper) HandEvents(e []model.Event) func(context.Context) error {
	k.events = append(k.events, e...)
	return func(context.Context) error { return k.fail }
}
func (k *fakeKeeper) SetBusy(busy bool)         { k.busy = busy }
func (k *fakeKeeper) Health() model.StoreHealth { return model.StoreHealth{} }
func (k *fakeKeeper) Clock() model.Clock        { return model.Clock{} }

func TestAReadingTravelsToStoreAndSnapshot(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(device("meter", 1))
		b.runFor(3500 * time.Millisecond)
		if len(b.keep.scans) != 4 {
			t.Fatalf("%d scans kept in 3.5 s at 1 s, want 4", len(b.keep.scans))
		}
		r := b.Latest().Readings["meter.value"]
		if r.Quality != model.Good || r.Value != 230.1 || r.Last != 230.1 || r.Lag != 20*time.Millisecond {
			t.Errorf("newest reading is %+v", r)
		}
	})
}

func TestAFullCardSilencesNoWarning(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(device("meter", 1))
		b.keep.fail, b.judge.fire = errors.New("no space left"), true
		b.runFor(2500 * time.Millisecond)
		if got := b.Latest().Alarms[0].State; got != model.AlarmUnacknowledged {
			t.Errorf("the alarm shows as %q while the store fails", got)
		}
		if n := strings.Count(b.log.String(), "no space left"); n != 1 {
			t.Errorf("the failure was logged %d times, want once:\n%s", n, b.log)
		}
	})
}

func TestASilentUnitCostsNoOtherUnitsData(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(device("meter", 1), device("engine", 2))
		b.line.dead[2] = true
		b.runFor(10*time.Minute - 500*time.Millisecond)
		good, bad := 0, 0
		for _, s := range b.keep.scans {
			switch {
			case s.Group == "meter/1s" && s.Samples[0].Quality == model.Good:
				good++
			case s.Group == "engine/1s" && s.Samples[0].Quality == model.Bad:
				bad++
			}
		}
		if good != 600 {
			t.Errorf("%d good scans of the healthy unit in 600 s", good)
		}
		if bad < 590 {
			t.Errorf("%d scans say that the silent unit is silent; delays would stand still", bad)
		}
		if busy := time.Duration(b.line.asked[2]) * 500 * time.Millisecond; busy > 12*time.Second {
			t.Errorf("the silent unit took %s of 600 s, over 2 %%", busy)
		}
		if b.judge.devices["engine"] || !b.judge.devices["meter"] {
			t.Errorf("the judge was told %v", b.judge.devices)
		}
	})
}

func TestALineThatIsLateSkipsAndCounts(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(device("meter", 1))
		b.line.slow = 1500 * time.Millisecond
		b.runFor(20 * time.Second)
		if n := len(b.keep.scans); n < 9 || n > 11 {
			t.Errorf("%d scans in 20 s at one each 1.52 s, on whole seconds", n)
		}
		if late := b.Latest().Lines[0].Overruns; late < 8 {
			t.Errorf("%d rounds counted as skipped", late)
		}
	})
}

func TestStoppingBlamesNoUnit(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(device("meter", 1))
		b.runFor(3*time.Second + 10*time.Millisecond) // in the middle of a question
		for _, s := range b.keep.scans {
			if s.Samples[0].Quality != model.Good {
				t.Errorf("a scan of %s says %q", s.At, s.Samples[0].Cause)
			}
		}
		if len(b.keep.scans) != 3 {
			t.Errorf("%d scans kept, want 3", len(b.keep.scans))
		}
	})
}

func TestDoAfterTheEndSaysSo(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(device("meter", 1))
		b.runFor(time.Second)
		if err := b.Do(context.Background(), func() error { return nil }); !errors.Is(err, ErrStopped) {
			t.Errorf("got %v", err)
		}
	})
}
