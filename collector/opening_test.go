package collector

import (
	"context"
	"log/slog"
	"regexp"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"tickover/model"
)

// hanging is a gateway that does not answer the connect: opening it takes until
// the context ends, or a time of its own.
type hanging struct {
	fakeLine
	opened int
	takes  time.Duration // 0 for ever
	deaf   chan bool     // what ends an opening that the context does not; nil when that does
}

func (h *hanging) Open(ctx context.Context) error {
	h.opened++
	var over <-chan time.Time
	if h.takes > 0 {
		over = time.After(h.takes)
	}
	ended := ctx.Done()
	if h.deaf != nil {
		ended = nil
	}
	select {
	case <-over:
	case <-ended:
	case <-h.deaf:
	}
	return &model.ReadError{Cause: model.LineClosed, Request: "open line far", Hint: "see whether the gateway has power"}
}

// besideHanging is a line that answers beside one that does not open.
func besideHanging(far *hanging) (*Collector, *fakeKeeper, *strings.Builder) {
	start := time.Now()
	keep, log := &fakeKeeper{}, &strings.Builder{}
	there := device("far", 2)
	there.Line = "far"
	return New(Parts{
		Setup: model.Setup{Lines: []model.Line{{Name: "far"}, {Name: "skid"}}, Devices: []model.Device{there, device("meter", 1)}},
		Lines: map[string]Line{"skid": &fakeLine{}, "far": far}, Judge: &fakeJudge{}, Keep: keep,
		Derive: func(*model.Scan) *model.StateChange { return nil },
		Now:    func() model.Instant { return model.Instant{Boot: 1, Offset: time.Since(start) + time.Second} },
		Log:    slog.New(slog.NewTextHandler(log, nil)),
	}), keep, log
}

// TestLineThatDoesNotOpenHoldsNobody opens a gateway for ever, and for 3 s each
// time. The other line is polled from the first moment, the rounds of this one
// go on to say that it is closed, and the end comes at once.
func TestLineThatDoesNotOpenHoldsNobody(t *testing.T) {
	for _, c := range []struct {
		takes  time.Duration
		opened int // at 0 s; and after 3 s each, then as long again twice over: at 9 and 18 s
		warned int
	}{{0, 1, 0}, {3 * time.Second, 3, 1}} {
		synctest.Test(t, func(t *testing.T) {
			far := &hanging{takes: c.takes}
			n, keep, log := besideHanging(far)
			const end = 19400 * time.Millisecond // in the middle of an opening
			began := time.Now()
			ctx, stop := context.WithCancel(context.Background())
			time.AfterFunc(end, stop)
			n.Run(ctx)
			if took := time.Since(began); took != end {
				t.Errorf("a stop after %s was heeded at %s", end, took)
			}
			good, closed := 0, 0
			for _, s := range keep.scans {
				switch {
				case s.Group == "meter/1s" && s.Samples[0].Quality == model.Good:
					good++
				case s.Group == "far/1s" && s.Samples[0].Cause == model.LineClosed:
					closed++
				}
			}
			if good != 20 || closed != 19 {
				t.Errorf("%d good scans of the line that is there, want 20, and %d that the other is closed, want 19: from half a second on", good, closed)
			}
			if n := strings.Count(log.String(), "not there yet"); far.opened != c.opened || n != c.warned {
				t.Errorf("opened %d times, want %d; warned %d times, want %d:\n%s", far.opened, c.opened, n, c.warned, log)
			}
		})
	}
}

// TestLineWithoutDevicesIsLeftClosed leaves the port to those who look for
// devices on it.
func TestLineWithoutDevicesIsLeftClosed(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := &scripted{}
		c, _ := newScripted(l, nil)
		runFor(c, 10*time.Second)
		if trouble := c.Latest().Lines[0].Trouble; l.opened != 0 || !strings.Contains(trouble, "no device") {
			t.Errorf("opened %d times; trouble %q", l.opened, trouble)
		}
	})
}

// TestOpeningThatHangsIsNoProgress has an opening that not even the end cuts
// short, as a driver that hangs in the kernel: the watchdog is told.
func TestOpeningThatHangsIsNoProgress(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		far := &hanging{deaf: make(chan bool)}
		n, _, _ := besideHanging(far)
		ctx, stop := context.WithCancel(context.Background())
		done := make(chan bool)
		go func() { n.Run(ctx); close(done) }()
		time.Sleep(10 * time.Second)
		if err := n.Alive(ctx); err != nil {
			t.Errorf("after 10 s: %v", err)
		}
		time.Sleep(10 * time.Second)
		if err := n.Alive(ctx); err == nil || !strings.Contains(err.Error(), "line far hangs") {
			t.Errorf("after 20 s: %v", err)
		}
		stop()
		close(far.deaf)
		<-done
	})
}

// TestAPulledAdapterIsLoggedOnceAndWhenItIsBack pulls the line for 20 s: one line
// in the log when it goes, one when it is back, with the gap.
func TestAPulledAdapterIsLoggedOnceAndWhenItIsBack(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := &scripted{takes: 20 * time.Millisecond}
		parts, _ := scriptedParts(l, nil, device("meter", 1), device("engine", 2))
		var out strings.Builder
		parts.Log = slog.New(slog.NewTextHandler(&out, nil))
		c := New(parts)
		time.AfterFunc(10*time.Second, func() { l.gone.Store(true) })
		time.AfterFunc(30*time.Second, func() { l.gone.Store(false) })
		runFor(c, time.Minute)
		if gone, back := strings.Count(out.String(), "line is gone"), strings.Count(out.String(), "line is back"); gone != 1 || back != 1 {
			t.Errorf("%d lines say that it is gone and %d that it is back, want one each:\n%s", gone, back, out.String())
		}
		gap := regexp.MustCompile(`line=skid gap=(\d+(\.\d+)?s)`).FindStringSubmatch(out.String())
		if gap == nil {
			t.Fatalf("no gap in:\n%s", out.String())
		}
		if d, err := time.ParseDuration(gap[1]); err != nil || d < 19*time.Second || d > 21*time.Second {
			t.Errorf("the gap is %s, want 20 s", gap[1])
		}
	})
}
