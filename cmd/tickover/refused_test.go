package main

import (
	"fmt"
	"math"
	"os"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"tickover/cmd/tickover/api"
	"tickover/collector/slave"
	"tickover/model"
)

// refusingConfig has two points with a gap between them that is refused.
func refusingConfig(t *testing.T, port string) (file, state string) {
	t.Helper()
	state = t.TempDir()
	text := fmt.Sprintf(`set:
  name: x
state dir: %s
lines:
  - name: bus
    serial: %s
    timeout: 2 s
devices:
  - name: meter
    line: bus
    unit: 7
    every: 50 ms
    points:
      - point: m.first
        quantity: count
        register: holding 0
        type: unsigned 32
      - point: m.second
        quantity: count
        register: holding 4
        type: unsigned 32
`, state, port)
	return configIn(t, state, text), state
}

// unhurried takes as long to answer as a small unit does.
type unhurried struct{ *slave.Registers }

func (u unhurried) Read(unit byte, table model.Table, address, count uint16) ([]uint16, byte) {
	time.Sleep(5 * time.Millisecond)
	return u.Registers.Read(unit, table, address, count)
}

// unitSeven finds the meter beside a stray frame that the line may have heard
// from the question that the stop before cut short.
func unitSeven(l api.Line) (u api.LineUnit) {
	if i := slices.IndexFunc(l.Units, func(u api.LineUnit) bool { return u.Unit == 7 }); i >= 0 {
		u = l.Units[i]
	}
	return u
}

// byMeasure holds the share of the line that is shown against the turnaround
// beside it: twenty times a second two reads of two registers, 17 characters of 11
// bits each with two silences of 3.5, at 19200 Bd.
func byMeasure(t *testing.T, l api.Line) {
	t.Helper()
	u := unitSeven(l)
	want := 20 * 2 * ((17+7)*11.0/19200 + u.Turnaround)
	if u.Assumed || u.Turnaround <= 0 || math.Abs(u.Planned-want) > 1e-5 || l.Planned != u.Planned {
		t.Errorf("turnaround %g s, assumed %v; %.5f of the line by plan, want %.5f: %+v", u.Turnaround, u.Assumed, u.Planned, want, l)
	}
}

// TestRefusedGapOutlivesTheDaemon has a unit without registers 2 and 3. The
// daemon finds that out, is stopped and started again: it shows what it knows
// and reads across the gap no more. Defined otherwise, the unit is asked anew.
func TestRefusedGapOutlivesTheDaemon(t *testing.T) {
	bank, log := &slave.Registers{}, &slave.Log{}
	bank.Set(7, model.HoldingRegisters, 0, 0, 1)
	bank.Set(7, model.HoldingRegisters, 4, 0, 5)
	file, state := refusingConfig(t, plugIn(t, unhurried{bank}, log))
	runOnce := func() (across int) {
		stop := sync.OnceFunc(startDaemon(t, file))
		t.Cleanup(stop) // a test that fails leaves no daemon on a port that the next one gets
		waitFor(t, "the daemon's socket", func() bool { _, err := os.Stat(api.SocketPath(state)); return err == nil })
		waitFor(t, "answers, and what was learned", func() bool {
			u := unitSeven(linesOf(t, state)["bus"])
			return u.Messages > 24 && slices.Equal(u.Learned, []string{"holding 2..3 is refused; reads go around it"})
		})
		byMeasure(t, linesOf(t, state)["bus"])
		stop()
		for _, r := range log.Requests() {
			if r.Address <= 2 && r.Address+r.Count > 2 {
				across++
			}
		}
		return across
	}
	first := runOnce()
	if first == 0 {
		t.Fatal("the unit was never asked across the gap")
	}
	if n := runOnce(); n != first {
		t.Errorf("the second run asked across the gap %d times more", n-first)
	}
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	configIn(t, state, strings.ReplaceAll(string(text), "unsigned 32", "signed 32"))
	if n := runOnce(); n == first {
		t.Error("defined anew, the unit is not asked again")
	}
	if out := must(t, "verify", "--state", state); !strings.Contains(out, "no problems") {
		t.Error(out)
	}
}
