package notify

import (
	"errors"
	"testing"
	"testing/synctest"
	"time"
)

// A card that hangs is waited for once, for two seconds; what is written behind
// it waits in its order and is not lost, and once the card answers so does all.
func TestADiskThatHangsIsWaitedForOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var d disk
		var order []int
		write := func(i int, takes time.Duration) *write {
			return d.later(func() error { time.Sleep(takes); order = append(order, i); return nil })
		}
		for i, takes := range []time.Duration{time.Minute, 0, 0} {
			began := time.Now()
			err, most := d.wait(write(i, takes)), diskPatience
			if i > 0 {
				most = 0
			}
			if !errors.Is(err, errDisk) || time.Since(began) != most {
				t.Errorf("write %d: %v after %s", i, err, time.Since(began))
			}
		}
		time.Sleep(2 * time.Minute)
		if err := d.wait(write(3, 0)); err != nil || len(order) != 4 || order[1] != 1 ||
			order[3] != 3 {
			t.Errorf("%v, written in the order %v", err, order)
		}
	})
}
