package main

import (
	"archive/zip"
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	"tickover/cmd/tickover/record"
)

// made is one entry of a bundle made by hand.
type made struct {
	name   string
	method uint16
	body   []byte
}

// zipOf writes entries and, for those that sums says, their checksums.
func zipOf(t testing.TB, entries ...made) []byte {
	t.Helper()
	var out bytes.Buffer
	z, sums := zip.NewWriter(&out), ""
	for _, e := range entries {
		w, err := z.CreateHeader(&zip.FileHeader{Name: e.name, Method: e.method})
		if err != nil {
			t.Fatal(err)
		}
		if _, err := w.Write(e.body); err != nil {
			t.Fatal(err)
		}
		sum := sha256.Sum256(e.body)
		sums += hex.EncodeToString(sum[:]) + "  " + e.name + "\n"
	}
	w, err := z.Create(record.BundleSums)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := io.WriteString(w, sums); err != nil {
		t.Fatal(err)
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

func description(earlier int) []byte {
	return []byte(`{"bundle_format":1,"run":"1","earlier_events":[` + strings.TrimSuffix(strings.Repeat("{},", earlier), ",") + `]}`)
}

// A bundle of 1.2 MB took 57 s and 1.18 GB. What would unpack to more than the
// format allows is refused by its table of contents.
func TestAHostileBundleIsRefusedBeforeItIsUnpacked(t *testing.T) {
	store, manifest := made{record.BundleStore, zip.Store, []byte("TkBk")}, made{record.BundleManifest, zip.Deflate, description(0)}
	entries := func(n int) (all []made) {
		for i := range n - 3 {
			all = append(all, made{fmt.Sprint("photos/", i), zip.Store, nil})
		}
		return append(all, store, manifest)
	}
	for _, c := range []struct {
		name    string
		entries []made
		says    string // of the refusal; what is within the bounds ends at the backup, which is none
	}{
		{"within", []made{store, manifest}, "backup is cut off"},
		{"a bomb", []made{store, manifest, {"readings.csv", zip.Deflate, make([]byte, 256<<20)}}, "would unpack to"},
		{"as much as is allowed", []made{store, manifest, {"readings.csv", zip.Deflate, make([]byte, record.AlwaysUnpacked)}}, "backup is cut off"},
		{"a packed store", []made{{record.BundleStore, zip.Deflate, []byte("TkBk")}, manifest}, "is compressed"},
		{"as many entries as are allowed", entries(record.MostEntries), "backup is cut off"},
		{"more", entries(record.MostEntries + 1), "entries, allowed are"},
		{"a large description", []made{store, {record.BundleManifest, zip.Deflate, append(description(0), bytes.Repeat([]byte(" "), record.LargestManifest)...)}}, "would unpack to"},
		{"as many events as are allowed", []made{store, {record.BundleManifest, zip.Deflate, description(record.MostEarlier)}}, "backup is cut off"},
		{"one more", []made{store, {record.BundleManifest, zip.Deflate, description(record.MostEarlier + 1)}}, "earlier events, allowed are"},
		{"as many as fit the description", []made{store, {record.BundleManifest, zip.Deflate, description(record.LargestManifest/3 - 100)}}, "earlier events, allowed are"},
	} {
		file := filepath.Join(t.TempDir(), "hostile.zip")
		if err := os.WriteFile(file, zipOf(t, c.entries...), 0o600); err != nil {
			t.Fatal(err)
		}
		c.entries = nil
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		begin := time.Now()
		_, _, err := record.OpenBundle(file)
		runtime.ReadMemStats(&after)
		if err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %v, want %q", c.name, err, c.says)
		}
		if took, mib := time.Since(begin), (after.TotalAlloc-before.TotalAlloc)>>20; took > 5*time.Second || mib > 150 {
			t.Errorf("%s: %s and %d MiB", c.name, took, mib)
		}
	}
}

// FuzzBundle opens files that nobody wrote: an error, and nothing left behind.
func FuzzBundle(f *testing.F) {
	store, manifest := made{record.BundleStore, zip.Store, []byte("TkBk")}, made{record.BundleManifest, zip.Deflate, description(2)}
	f.Add(zipOf(f, store, manifest))
	f.Add(zipOf(f, manifest, made{"readings.csv", zip.Deflate, make([]byte, 4<<20)}))
	f.Add([]byte("PK\x05\x06" + strings.Repeat("\x00", 18)))
	f.Fuzz(func(t *testing.T, in []byte) {
		t.Setenv("TMPDIR", t.TempDir())
		file := filepath.Join(t.TempDir(), "fuzzed.zip")
		if err := os.WriteFile(file, in, 0o600); err != nil {
			t.Fatal(err)
		}
		if _, end, err := record.OpenBundle(file); err == nil {
			if err := end(); err != nil {
				t.Fatal(err)
			}
		}
		if left, err := os.ReadDir(os.TempDir()); err != nil || len(left) > 0 {
			t.Fatalf("left behind: %v, %v", left, err)
		}
	})
}
