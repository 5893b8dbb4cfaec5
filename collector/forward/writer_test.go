package forward

import (
	"context"
	"errors"
	"iter"
	"log/slog"
	"math"
	"net/http"
	"strings"
	"sync"
	"testing"
	"time"

	"tickover/model"
)

// shelf is a store in memory.
type shelf struct {
	mu    sync.Mutex
	scans []*model.Scan
	clock model.Clock
}

func (s *shelf) Scans(q model.Query) iter.Seq2[*model.Scan, error] {
	s.mu.Lock()
	all := s.scans
	s.mu.Unlock()
	return func(yield func(*model.Scan, error) bool) {
		for _, scan := range all {
			if q.Within(scan.At) && !yield(scan, nil) {
				return
			}
		}
	}
}

func (s *shelf) Clock() model.Clock { return s.clock }

// fill adds n scans, one a second, of one group with so many points.
func (s *shelf) fill(boot uint32, group string, n, points int) {
	for i := range n {
		scan := &model.Scan{Group: group, At: model.Instant{Boot: boot, Offset: time.Duration(i) * time.Second}}
		for p := range points {
			scan.Samples = append(scan.Samples, model.GoodSample(pointID(p), float64(i)))
		}
		s.scans = append(s.scans, scan)
	}
}

func pointID(i int) model.PointID { return model.PointID("p" + string(rune('a'+i))) }

var names = func(p model.PointID) (model.Series, bool) {
	return model.Series{Name: "genset_point_counts", Labels: []model.Label{{Name: "point", Value: string(p)}}, Scale: 1}, p != "nameless"
}

// yard is a writer between a shelf and a test server.
type yard struct {
	*shelf
	*server
	parts Parts
	now   time.Duration // since boot
}

const hour = time.Hour

// newYard has one boot that began an hour ago and whose clock is synchronised.
func newYard(t *testing.T) *yard {
	y := &yard{shelf: &shelf{}, server: newServer(t), now: hour}
	y.boot(1, model.ClockSynchronised, time.Now().Add(-hour))
	y.parts = Parts{To: model.RemoteWrite{Name: "here", URL: y.URL, PerRequest: 100}, Source: y.shelf, Series: names,
		Client: http.DefaultClient, Now: func() model.Instant {
			return model.Instant{Boot: y.clock.Boots[len(y.clock.Boots)-1].Number, Offset: y.now}
		},
		Folder: t.TempDir(), Log: slog.New(slog.DiscardHandler)}
	return y
}

func (y *yard) boot(n uint32, s model.ClockSource, begin time.Time) {
	y.clock.Boots = append(y.clock.Boots, model.Boot{Number: n, Last: hour, Estimates: []model.ClockEstimate{{Wall: begin.UnixNano(), Source: s}}})
}

func (y *yard) passes(t *testing.T, w *Writer) {
	t.Helper()
	if err := w.pass(context.Background()); err != nil {
		t.Fatalf("%v (%s)", err, model.HintOf(err))
	}
}

func TestEverythingArrivesOnceAndOnlyOnce(t *testing.T) {
	y := newYard(t)
	y.fill(1, "meter/1s", 1000, 5)
	w := NewWriter(y.parts)
	y.passes(t, w)
	y.passes(t, w)
	if y.count() != 5000 || y.again != 0 || w.Health().Sent != 5000 {
		t.Errorf("%d stored, %d twice, health %+v", y.count(), y.again, w.Health())
	}
	w.keep(true)
	y.passes(t, NewWriter(y.parts))
	if y.count() != 5000 || y.again != 0 {
		t.Errorf("after a restart %d stored, %d twice", y.count(), y.again)
	}
}

func TestASlowLinesScanIsNotSkipped(t *testing.T) {
	y := newYard(t)
	y.fill(1, "meter/1s", 100, 1)
	w := NewWriter(y.parts)
	y.passes(t, w)
	late := &model.Scan{Group: "slow/1s", At: model.Instant{Boot: 1, Offset: 50 * time.Second}, Samples: []model.Sample{model.GoodSample("late", 1)}}
	w.cursor.Groups["slow/1s"] = model.Instant{Boot: 1, Offset: 49 * time.Second}
	y.scans = append(y.scans, late)
	y.passes(t, w)
	if y.count() != 101 {
		t.Errorf("%d stored, want the late one as well", y.count())
	}
}

func TestAKilledWriterSendsAgainWhatWasNotKept(t *testing.T) {
	y := newYard(t)
	y.fill(1, "meter/1s", 1000, 5)
	w := NewWriter(y.parts)
	ctx, cancel := context.WithCancel(context.Background())
	y.refuse = func([]point) (int, string) {
		if y.requests == 7 {
			cancel() // dies in the middle; its cursor is not kept
		}
		return 0, ""
	}
	if err := w.pass(ctx); err == nil {
		t.Fatal("the pass was not cut short")
	}
	y.passes(t, NewWriter(y.parts))
	if y.count() != 5000 {
		t.Errorf("%d of 5000 stored", y.count())
	}
}

func TestNothingIsSentBeforeTheClockIsKnown(t *testing.T) {
	for _, s := range []model.ClockSource{model.ClockUnknown, model.ClockUnsynchronised, model.ClockSimulated} {
		y := newYard(t)
		y.clock.Boots[0].Estimates[0].Source = s
		y.fill(1, "meter/1s", 10, 1)
		w := NewWriter(y.parts)
		err := w.pass(context.Background())
		if !errors.Is(err, errNoTime) || y.requests != 0 {
			t.Errorf("%s: %v, %d requests", s, err, y.requests)
		}
		y.clock.Boots[0].Estimates = append(y.clock.Boots[0].Estimates, model.ClockEstimate{Wall: time.Now().Add(-2 * hour).UnixNano(), Source: model.ClockSynchronised})
		if s == model.ClockSimulated {
			continue // nothing outranks a made-up clock
		}
		y.passes(t, w)
		for p := range y.stored {
			if age := time.Since(time.UnixMilli(p.t)); age < 119*time.Minute || age > 121*time.Minute {
				t.Errorf("%s: dated %s ago, by the clock before it was known", s, age)
			}
		}
		if y.count() != 10 {
			t.Errorf("%s: %d stored", s, y.count())
		}
	}
}

func TestABootWithoutATimeIsCountedNotGuessed(t *testing.T) {
	y := newYard(t)
	y.clock.Boots = nil
	y.boot(1, model.ClockUnsynchronised, time.Now().Add(-9*hour))
	y.boot(2, model.ClockRTC, time.Now().Add(24*hour)) // a clock that was a day ahead
	y.boot(3, model.ClockSynchronised, time.Now().Add(-hour))
	for boot := range uint32(3) {
		y.fill(boot+1, "meter/1s", 10, 2)
	}
	w := NewWriter(y.parts)
	y.passes(t, w)
	h := w.Health()
	if y.count() != 20 || h.Sent != 20 || h.Dropped["undated"] != 20 || h.Dropped["future"] != 20 {
		t.Errorf("%d stored, dropped %v", y.count(), h.Dropped)
	}
}

func TestSamplesAheadOfTheServerWait(t *testing.T) {
	y := newYard(t)
	y.date = func() time.Time { return time.Now().Add(-24 * hour) }
	y.fill(1, "meter/1s", 10, 1)
	w := NewWriter(y.parts)
	err := w.pass(context.Background())
	if err == nil || !strings.Contains(err.Error(), "24 h") || y.count() != 0 {
		t.Errorf("%v, %d stored", err, y.count())
	}
	y.date = time.Now
	w.greeted = time.Time{}
	y.passes(t, w)
	if y.count() != 10 {
		t.Errorf("%d stored after the server's clock was set", y.count())
	}
}

func TestOldReadingsStayHereAndAreCounted(t *testing.T) {
	y := newYard(t)
	y.parts.To.Oldest = 30 * time.Minute
	y.fill(1, "meter/1s", 3600, 1)
	w := NewWriter(y.parts)
	y.passes(t, w)
	if n := y.count(); n < 1795 || n > 1805 {
		t.Errorf("%d stored, want half an hour's", n)
	}
}

func TestAnEndedSeriesIsMarkedOnce(t *testing.T) {
	y := newYard(t)
	y.fill(1, "meter/1s", 6, 1)
	for i, s := range y.scans {
		if i == 2 || i == 3 {
			s.Samples[0] = model.BadSample(s.Samples[0].Point, model.NoAnswer)
		}
	}
	y.passes(t, NewWriter(y.parts))
	marks := 0
	for _, v := range y.stored {
		if math.Float64bits(v) == math.Float64bits(staleMark) {
			marks++
		} else if math.IsNaN(v) {
			t.Error("a value that is no number")
		}
	}
	if y.count() != 5 || marks != 1 {
		t.Errorf("%d stored, %d marks", y.count(), marks)
	}
}

func TestServersThatCannotBeUsedAreExplained(t *testing.T) {
	for _, c := range []struct {
		status int
		words  string
		hint   string
	}{
		{404, "remote write receiver needs to be enabled", "--web.enable-remote-write-receiver"},
		{401, "Unauthorized", "password"},
		{403, "no", "rights"},
		{429, "slow", "samples a second"},
		{503, "starting", "kept and sent later"},
		{500, "disk", "kept and sent later"},
		{301, "moved", "new address"},
	} {
		y := newYard(t)
		y.refuse = func([]point) (int, string) { return c.status, c.words }
		y.fill(1, "meter/1s", 10, 1)
		w := NewWriter(y.parts)
		err := w.pass(context.Background())
		if err == nil || !strings.Contains(model.HintOf(err), c.hint) || !strings.Contains(err.Error(), c.words) {
			t.Errorf("%d: %v (%s)", c.status, err, model.HintOf(err))
		}
		y.refuse = func([]point) (int, string) { return 0, "" }
		y.passes(t, w)
		if y.count() != 10 || len(w.Health().Dropped) != 0 {
			t.Errorf("%d: %d stored afterwards, dropped %v", c.status, y.count(), w.Health().Dropped)
		}
	}
}

func TestASpoiledCursorSendsAgain(t *testing.T) {
	y := newYard(t)
	y.fill(1, "meter/1s", 10, 1)
	w := NewWriter(y.parts)
	y.passes(t, w)
	w.cursor.Groups = nil
	w.cursor.path += "\x00"
	if err := w.cursor.save(); err == nil {
		t.Error("a cursor that cannot be kept is no error")
	}
	if c, err := openCursor(y.parts.Folder); err == nil || len(c.Groups) != 0 {
		t.Errorf("a folder for a cursor: %v", err)
	}
}
