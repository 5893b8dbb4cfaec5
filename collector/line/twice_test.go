package line

import (
	"testing"
	"time"

	"tickover/collector/slave"
)

// TestAnswerTwiceOnATerminal has a slave whose every answer comes twice. On a
// pseudo-terminal the second one begins when the next question was sent
// already, and looks like a prompt answer to it.
func TestAnswerTwiceOnATerminal(t *testing.T) {
	twice := func(slave.Request) slave.Fault { return slave.Fault{Kind: slave.Twice} }
	l, _, _ := newTTY(t, slave.Pace{Baud: 19200, Turnaround: 5 * time.Millisecond}, slave.Faults{Next: twice})
	for i := range uint16(25) {
		if err := ask(t, l, i*10); err != nil { // ask ends the test at a wrong value
			t.Fatal(err)
		}
	}
	if h := l.Health(); h.Foreign+h.Late == 0 {
		t.Error("no second answer was noticed")
	}
}
