package page

import (
	"net/http/httptest"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"tickover/model"
)

// A stream pauses between two messages, but not when an alarm moved: the
// scenes come 40 ms and 60 ms after the message before.
func TestAnAlarmWaitsForNoPauseOfTheStream(t *testing.T) {
	for _, c := range []struct {
		what string
		move func(*model.AlarmStatus)
		want time.Duration
	}{
		{"nothing of the alarms", func(*model.AlarmStatus) {}, leastPause},
		{"an alarm's state", func(a *model.AlarmStatus) { a.State = model.AlarmAcknowledged }, 60 * time.Millisecond},
		{"an alarm's sight", func(a *model.AlarmStatus) { a.Watching = !a.Watching }, 60 * time.Millisecond},
	} {
		synctest.Test(t, func(t *testing.T) {
			s := hatchery().alarmed()
			s.changed = make(chan struct{})
			f, told, begun := &server{Parts: partsOf(s)}, s.snap, time.Now()
			changed := s.Changed()
			go func() {
				time.Sleep(40 * time.Millisecond)
				same := *told
				s.next(&same)
				time.Sleep(20 * time.Millisecond)
				moved := *told
				moved.Alarms = slices.Clone(told.Alarms)
				c.move(&moved.Alarms[0])
				s.next(&moved)
			}()
			if goes := f.wait(httptest.NewRequest("GET", "/", nil), changed, told); !goes || time.Since(begun) != c.want {
				t.Errorf("%s moves: the next message %v after %s, want %s", c.what, goes, time.Since(begun), c.want)
			}
		})
	}
}
