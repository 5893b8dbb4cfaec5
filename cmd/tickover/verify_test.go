package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"tickover/model"
	"tickover/model/plant"
)

// What a cut of power leaves of the write under way ends well; damage does not.
func TestVerifyAfterACutOfPower(t *testing.T) {
	state := recorded(t, pastScript{plant.WalkDay, func(*plant.Plant) {}})
	ring := filepath.Join(state, "tickover.ring")
	whole, err := os.ReadFile(ring)
	if err != nil {
		t.Fatal(err)
	}
	const slot = 4096
	next := 0 // the first slot of zeros behind the last that was written
	for i := slot; i < len(whole); i += slot {
		if string(whole[i:i+4]) == "TkSl" {
			next = i + slot
		}
	}
	spoil := func(at int) {
		b := append([]byte(nil), whole...)
		copy(b[at:], "torn")
		if err := os.WriteFile(ring, b, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	spoil(next)
	if code, out, stderr := call(t, "verify", "--state", state); code != model.NoFault || !strings.Contains(out, "last write unfinished (slots of the ring: 1): normal after a power cut, completed at the next start\nno problems") {
		t.Errorf("code %d\n%s%s", code, out, stderr)
	}
	spoil(next - slot/2)
	if code, out, stderr := call(t, "verify", "--state", state); code != model.StoreFault || strings.Contains(out, "unfinished") || !strings.Contains(stderr, "Copy the folder") {
		t.Errorf("code %d\n%s%s", code, out, stderr)
	}
}
