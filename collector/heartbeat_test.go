package collector

import (
	"context"
	"errors"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"tickover/model"
)

// observed runs a collector in the background and asks after a time whether it
// is alive, for at most a second.
func observed(t *testing.T, b *bench, after time.Duration) error {
	t.Helper()
	ctx, stop := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() { b.Run(ctx); close(done) }()
	time.Sleep(after)
	asking, cancel := context.WithTimeout(context.Background(), time.Second)
	defer cancel()
	err := b.Alive(asking)
	stop()
	<-done
	return err
}

func TestPollingAndRestingAreProgress(t *testing.T) {
	hourly := device("tank", 3)
	hourly.Every = time.Hour
	for name, b := range map[string]func() *bench{
		"a healthy unit":           func() *bench { return newBench(device("meter", 1)) },
		"a unit asked hourly":      func() *bench { return newBench(hourly) },
		"a unit that is not there": func() *bench { b := newBench(device("meter", 1)); b.line.dead[1] = true; return b },
		"no unit yet":              func() *bench { return newBench() },
	} {
		synctest.Test(t, func(t *testing.T) {
			if err := observed(t, b(), 30*time.Minute); err != nil {
				t.Errorf("%s: %v", name, err)
			}
		})
	}
}

func TestALineThatNeverComesBackIsNamed(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(device("meter", 1))
		b.line.slow = 10 * time.Minute
		if err := observed(t, b, 10*time.Second); err != nil {
			t.Errorf("after 10 s in one question: %v", err)
		}
	})
	synctest.Test(t, func(t *testing.T) {
		b := newBench(device("meter", 1))
		b.line.slow = 10 * time.Minute
		err := observed(t, b, 30*time.Second)
		if err == nil || !strings.Contains(err.Error(), "line skid hangs") {
			t.Errorf("after 30 s in one question with a timeout of half a second: %v", err)
		}
	})
}

// stuckKeeper holds the carrier, as no store should.
type stuckKeeper struct {
	fakeKeeper
	release chan struct{}
}

func (k *stuckKeeper) Hand(*model.Scan, []model.Event) error { <-k.release; return nil }

func TestACarrierThatHangsIsNoProgress(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(device("meter", 1))
		stuck := &stuckKeeper{release: make(chan struct{})}
		b.parts.Keep = stuck
		time.AfterFunc(time.Minute, func() { close(stuck.release) })
		err := observed(t, b, 10*time.Second)
		if !errors.Is(err, context.DeadlineExceeded) || !strings.Contains(err.Error(), "carrier") {
			t.Errorf("with a carrier that hangs: %v", err)
		}
	})
}
