package collector

import (
	"testing"
	"testing/synctest"
	"time"

	"tickover/model"
)

// The store keeps rows longer in memory only while the set stands still or
// runs steadily, and the snapshot carries what was found.
func TestStoreIsBusyUnlessStillOrSettled(t *testing.T) {
	for _, c := range []struct {
		state   model.EngineState
		settled bool
		busy    bool
	}{
		{model.Standstill, false, false}, {model.Cranking, false, true}, {model.Loaded, false, true},
		{model.Loaded, true, false}, {model.EngineUnknown, false, true},
	} {
		synctest.Test(t, func(t *testing.T) {
			b := newBench(device("meter", 1))
			b.parts.Derive = func(*model.Scan) *model.StateChange { return &model.StateChange{To: c.state} }
			b.parts.Ready = func() model.Readiness { return model.Readiness{Settled: c.settled} }
			b.runFor(1500 * time.Millisecond)
			if b.keep.busy != c.busy || b.Latest().Ready.Settled != c.settled {
				t.Errorf("%s, settled %v: busy %v", c.state, c.settled, b.keep.busy)
			}
		})
	}
}
