package main

import (
	"bytes"
	"context"
	"errors"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"tickover/cmd/tickover/client"
	"tickover/model"
)

// spoil changes a bit of the data file at each place that find gives within
// what is left of it.
func spoil(t *testing.T, state string, find func(left []byte) int) {
	t.Helper()
	path := filepath.Join(state, "tickover.db")
	db, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	found := 0
	for left := db; ; found++ {
		at := find(left)
		if at < 0 {
			break
		}
		left[at] ^= 1
		left = left[at+1:]
	}
	if found == 0 {
		t.Fatal("nothing to spoil")
	}
	if err := os.WriteFile(path, db, 0o600); err != nil {
		t.Fatal(err)
	}
}

// A value of minutes that is damaged costs the export its own rows only, and a
// row says so.
func TestExportGoesOnBehindDamagedMinutes(t *testing.T) {
	state := pastState(t)
	whole := strings.Count(must(t, "export", "--state", state, "--every", "1m"), "\n")
	key := []byte("m\x00\x00\x00\x01\x80\x00") // of the first boot's minutes, then 6 bytes more
	spoil(t, state, func(left []byte) int {
		for from := 0; ; from++ {
			at := bytes.Index(left[from:], key)
			if at < 0 || from+at+40 > len(left) {
				return -1
			}
			if from += at; left[from+12] == 1 && left[from+13] == 1 {
				return from + 40 // in the value of the first schema
			}
		}
	})
	out := must(t, "export", "--state", state, "--every", "1m")
	told, left := strings.Count(out, "store is damaged"), strings.Count(out, "\n")
	if told != 1 || left < whole/3 || left >= whole {
		t.Errorf("damage is told %d times; %d rows of %d are left", told, left, whole)
	}
}

// What rests on a damaged event is not worked out from the rest: place and way
// out are told, and the copy can be read.
func TestDamagedEventIsNamed(t *testing.T) {
	state := pastState(t)
	must(t, "note", "--state", state, "an odd sound of the pump")
	spoil(t, state, func(left []byte) int { return bytes.Index(left, []byte("an odd sound of the pump")) })
	code, _, said := call(t, "runs", "--state", state)
	if code == model.NoFault || !strings.Contains(said, "read event") || !strings.Contains(said, "tickover backup") {
		t.Fatalf("exit code %d: %s", code, said)
	}
	copied := filepath.Join(t.TempDir(), "copy")
	if code, _, said := call(t, "backup", "--state", state, copied); code != model.StoreFault {
		t.Fatalf("exit code %d: %s", code, said)
	}
	if runs := must(t, "runs", "--state", copied); strings.Count(runs, "\n") < 2 {
		t.Error(runs)
	}
}

// stopping ends a context with the first bytes written to it.
type stopping struct{ stop func() }

func (s stopping) Write(p []byte) (int, error) {
	s.stop()
	return len(p), nil
}

// An export that ends half-way without a daemon says so and does not panic.
func TestExportStoppedHalfWay(t *testing.T) {
	a, err := client.StateFolder{State: pastState(t)}.Open(false)
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(t.Context())
	if err := a.Get(ctx, stopping{stop}, "/api/v1/export", url.Values{}); !errors.Is(err, context.Canceled) {
		t.Errorf("the export ended with %v", err)
	}
	if err := a.Close(); err != nil {
		t.Error(err)
	}
}

// A damaged configuration is not silently replaced by an older one or by none:
// every reading command warns, says what to do, and verify finds it.
func TestADamagedConfigurationIsSaid(t *testing.T) {
	state := pastState(t)
	spoil(t, state, func(left []byte) int { return bytes.Index(left, []byte(`"Apparent`)) })
	for _, command := range []string{"runs", "report"} {
		_, _, said := call(t, command, "--state", state)
		if !strings.Contains(said, "warning: the newest configuration in the store is damaged") || !strings.Contains(said, "units, limits") || !strings.Contains(said, "hint: keep a copy") {
			t.Errorf("%s says:\n%s", command, said)
		}
	}
	if code, out, _ := call(t, "verify", "--state", state); code != model.StoreFault || !strings.Contains(out, "table setups") {
		t.Errorf("verify: exit code %d\n%s", code, out)
	}
}
