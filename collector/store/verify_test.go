package store

import (
	"bytes"
	"encoding/binary"
	"errors"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	bolt "go.etcd.io/bbolt"

	"tickover/model"
)

// changeMinutes rewrites the first stored minutes of meter/1s.
func changeMinutes(change func(m *minutes) *minutes) func(*bolt.Tx) error {
	return func(tx *bolt.Tx) error {
		bucket := recordBucket(tx, recordMinutes, "meter/1s")
		k, v := bucket.Cursor().First()
		_, _, id, err := parseMinuteKey(k)
		text, wrong := get(tx.Bucket(bucketSchemas), binary.BigEndian.AppendUint32(nil, id))
		payload, damage := unwrap(k, v)
		if err := errors.Join(err, wrong, damage); err != nil {
			return err
		}
		sc, err := decodeSchema(text)
		if err != nil {
			return err
		}
		m, err := decodeMinutes(payload, sc, 1, nil)
		if err != nil {
			return err
		}
		return put(bucket, bytes.Clone(k), change(m).encode())
	}
}

// dropBlock deletes one block of meter/1s, counted from the end when negative.
func dropBlock(n int) func(*bolt.Tx) error {
	return func(tx *bolt.Tx) error {
		bucket := recordBucket(tx, recordBlock, "meter/1s")
		var keys [][]byte
		err := bucket.ForEach(func(k, _ []byte) error { keys = append(keys, bytes.Clone(k)); return nil })
		return errors.Join(err, bucket.Delete(keys[(n+len(keys))%len(keys)]))
	}
}

func changeColumn(change func(c *MinuteColumn)) func(*bolt.Tx) error {
	return changeMinutes(func(m *minutes) *minutes { change(&m.cols[1]); return m })
}

// TestVerifyMinutes changes what stands beside each other, checksums and all,
// and wants it told as what it is, and nothing else.
func TestVerifyMinutes(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	s := mustOpen(t, options(dir))
	for part := range 7 { // 70 minutes, closed in the middle of minutes
		fill(t, s, 1, part*617, 617)
		mustClose(t, s)
		s = mustOpen(t, options(dir))
	}
	mustClose(t, s)
	gone := func(tx *bolt.Tx) error {
		return errors.Join(dropBlock(-1)(tx), put(tx.Bucket(bucketGone), []byte("meter/1s"), binary.BigEndian.AppendUint64(nil, 3)))
	}
	for name, x := range map[string]struct {
		change func(*bolt.Tx) error
		want   string // where and what; empty when all is well
	}{
		"nothing":     {func(*bolt.Tx) error { return nil }, ""},
		"mean":        {changeColumn(func(c *MinuteColumn) { c.Mean[7] += (c.Max[7] - c.Min[7]) / 20 }), "minute of meter/1s at 1+7m0s: t: mean"},
		"least":       {changeColumn(func(c *MinuteColumn) { c.Min[8] -= 0.01 }), "minute of meter/1s at 1+8m0s: t: from"},
		"greatest":    {changeColumn(func(c *MinuteColumn) { c.Max[9] += 0.01 }), "minute of meter/1s at 1+9m0s: t: from"},
		"count":       {changeColumn(func(c *MinuteColumn) { c.Count[10]-- }), "minute of meter/1s at 1+10m0s: t: of 59 samples, the blocks hold 60"},
		"no minute":   {changeMinutes(func(m *minutes) *minutes { return m.without(30) }), "minute of meter/1s at 1+30m0s: not stored"},
		"no minutes":  {func(tx *bolt.Tx) error { return tx.Bucket(bucketMinutes).DeleteBucket([]byte("gmeter/1s")) }, "minutes of meter/1s from 1+0s to 1+1h11m0s: not stored"},
		"first block": {dropBlock(0), "block of meter/1s at 1+30m0s: blocks are missing before it"},
		"one between": {dropBlock(1), "block of meter/1s at 1+1h0m0s: blocks are missing before it"},
		"last block":  {dropBlock(-1), "minutes of meter/1s from 1+1h0m0s to 1+1h11m0s: their samples are missing and were not thinned out"},
		"thinned out": {gone, ""},
	} {
		work := copyStore(t, dir)
		s := mustOpenPlain(t, options(work))
		if err := s.data.update(x.change); err != nil {
			t.Fatal(err)
		}
		done, total := 0, 0
		f, err := s.Verify(t.Context(), func(d, of int) {
			if d < done || d > of {
				t.Errorf("%s: progress goes from %d to %d of %d", name, done, d, of)
			}
			done, total = d, of
		})
		mustClose(t, s)
		if err != nil || done != total {
			t.Fatal(name, err, done, total)
		}
		s = mustOpenPlain(t, Options{Dir: work, ReadOnly: true})
		if f, err = s.Verify(t.Context(), nil); err != nil {
			t.Fatal(err)
		}
		mustClose(t, s)
		var got []string
		for _, p := range f.Problems {
			got = append(got, p.Where+": "+p.What)
		}
		if x.want == "" && len(got) != 0 || x.want != "" && (len(got) != 1 || !strings.HasPrefix(got[0], x.want)) {
			t.Errorf("%s: told %q, want %q", name, got, x.want)
		}
	}
}

// without returns minutes but for one.
func (m *minutes) without(n int) *minutes {
	part := m.slice(0, n)
	out := &minutes{schema: m.schema, boot: m.boot}
	for range m.cols {
		out.cols = append(out.cols, newMinuteColumn(0))
	}
	out.join(part)
	out.join(m.slice(n+1, len(m.at)))
	return out
}

// TestVerifyAnyPast keeps scans at all sorts of intervals, with gaps, failed
// reads, columns that change, and ends at any moment: nothing may be told of it.
func TestVerifyAnyPast(t *testing.T) {
	t.Parallel()
	random := rand.New(rand.NewPCG(11, 12))
	for range 8 {
		dir, at := t.TempDir(), time.Duration(random.Int64N(1e12))
		step := []time.Duration{50 * time.Millisecond, time.Second, 15 * time.Second, 5 * time.Minute}[random.IntN(4)]
		for range 8 {
			s := mustOpen(t, options(dir))
			for range random.IntN(60) {
				at += step*time.Duration(random.IntN(5)/4*random.IntN(20)+1) + time.Duration(random.Int64N(6e6))
				scan := scanAt("g", 1, at, model.GoodSample("v", float64(random.IntN(5000))/10), model.GoodSample("loose", float64(random.IntN(70))*100))
				if random.IntN(9) == 0 {
					scan.Samples[0] = model.BadSample("v", model.NoAnswer)
				}
				if random.IntN(30) == 0 {
					scan.Samples, scan.Measured = scan.Samples[:1], 1
				}
				mustAppend(t, s, scan)
			}
			mustClose(t, s)
		}
		mustBeClean(t, dir)
	}
}

// TestVerifyWhileWriting checks a store again and again that is written to,
// sealed and thinned out meanwhile. Nothing of that may look like damage.
func TestVerifyWhileWriting(t *testing.T) {
	t.Parallel()
	o := options(t.TempDir())
	o.KeepSamples = 2 * time.Hour
	s := mustOpen(t, o)
	fill(t, s, 1, 0, 9000)
	done := make(chan struct{})
	go func() {
		defer close(done)
		for i := range 6000 {
			scan := scanAt("meter/1s", 1, time.Duration(9000+i)*time.Second, model.GoodSample("v", float64(i%70)), model.GoodSample("t", 2))
			if err := s.Append(scan, nil); err != nil {
				t.Error(err)
			}
		}
	}()
	for writing := true; writing; {
		select {
		case <-done:
			writing = false
		default:
		}
		f, err := s.Verify(t.Context(), nil)
		if err != nil || !f.Growing {
			t.Fatal(err, f.Growing)
		}
		for _, p := range f.Problems {
			if !strings.Contains(p.What, "not determined") || !writing {
				t.Fatal(p)
			}
		}
	}
	if err := s.data.update(changeColumn(func(c *MinuteColumn) { c.Count[200]-- })); err != nil {
		t.Fatal(err)
	}
	if f, _ := s.Verify(t.Context(), nil); len(f.Problems) != 1 {
		t.Fatal("a changed minute is not told while the store is open:", f.Problems)
	}
	if err := s.data.update(changeColumn(func(c *MinuteColumn) { c.Count[200]++ })); err != nil {
		t.Fatal(err)
	}
}

// TestSalvageTellsTheEnd destroys what stands last in a group, which no later
// block can tell of.
func TestSalvageTellsTheEnd(t *testing.T) {
	t.Parallel()
	s := mustOpen(t, options(t.TempDir()))
	fill(t, s, 1, 0, 5000)
	mustClose(t, s)
	for _, x := range []struct {
		kinds []recordKind
		want  string
	}{
		{nil, ""},
		{[]recordKind{recordMinutes}, ""}, // worked out anew
		{[]recordKind{recordBlock}, "minutes of meter/1s from 1+1h0m0s to 1+1h23m0s: samples are lost, only their minutes are left"},
		{[]recordKind{recordBlock, recordMinutes}, "meter/1s: nothing after 1+59m59s is left, though its boot went on for 20m"},
	} {
		work := copyStore(t, s.opts.Dir)
		path := filepath.Join(work, dataName)
		destroyLast(t, path, x.kinds)
		if err := os.Remove(filepath.Join(work, ringName)); err != nil {
			t.Fatal(err)
		}
		out := filepath.Join(t.TempDir(), "salvaged")
		copied, err := Salvage(t.Context(), path, out, nil)
		if err != nil || x.want == "" && len(copied.Missing) != 0 || x.want != "" && !slices.ContainsFunc(copied.Missing, func(m string) bool { return strings.HasPrefix(m, x.want) }) {
			t.Errorf("%v: %v, told %q, want %q", x.kinds, err, copied.Missing, x.want)
		}
		mustBeClean(t, out)
		again := mustOpen(t, options(out))
		rows, minutes := lines(t, again, model.Query{}), 0
		for m, err := range again.Minutes(model.Query{}) {
			if err != nil {
				t.Fatal(err)
			}
			minutes += len(m.At)
		}
		if wantRows, wantMinutes := expected(x.kinds); len(rows) != wantRows || minutes != wantMinutes {
			t.Errorf("%v: %d rows and %d minutes left", x.kinds, len(rows), minutes)
		}
		fill(t, again, 1, 5000, 100)
	}
}

func expected(kinds []recordKind) (rows, minutes int) {
	if !slices.Contains(kinds, recordBlock) {
		return 5000, 84
	}
	if !slices.Contains(kinds, recordMinutes) {
		return 3600, 84
	}
	return 3600, 60
}

// destroyLast wipes the newest entries of meter/1s and every older writing of them.
func destroyLast(t *testing.T, path string, kinds []recordKind) {
	t.Helper()
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	s := mustOpenPlain(t, Options{Dir: filepath.Dir(path), ReadOnly: true})
	for _, kind := range kinds {
		var key []byte
		s.table(kind, "meter/1s", model.Span{}, func(r record, err error) bool { key = r.key; return err == nil })
		text = bytes.ReplaceAll(text, key, make([]byte, len(key)))
	}
	mustClose(t, s)
	if err := os.WriteFile(path, text, 0o600); err != nil {
		t.Fatal(err)
	}
}

// TestSalvageKnowsThinning wants nothing told of samples that were thinned
// out, and nothing made of the table that says so.
func TestSalvageKnowsThinning(t *testing.T) {
	t.Parallel()
	o := options(t.TempDir())
	o.KeepSamples = time.Hour
	s := mustOpen(t, o)
	fill(t, s, 1, 0, 9000)
	mustClose(t, s)
	out := filepath.Join(t.TempDir(), "salvaged")
	copied, err := Salvage(t.Context(), filepath.Join(o.Dir, dataName), out, nil)
	if err != nil || copied.Photos != 0 || len(copied.Missing) > 0 {
		t.Fatal(err, copied)
	}
	mustBeClean(t, out)
	again := mustOpen(t, options(out))
	if n, err := again.PutPhoto([]byte("picture")); n != 1 || err != nil {
		t.Fatal(n, err)
	}
	if n := len(lines(t, again, model.Query{})); n != 5400 {
		t.Fatalf("%d rows left of an hour and a half", n)
	}
}

// TestSalvageOfNothing: a file of which only the first pages are left, or no
// byte, must not pass for one that was salvaged whole.
func TestSalvageOfNothing(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	s := mustOpen(t, options(dir))
	fill(t, s, 1, 0, 700)
	mustClose(t, s)
	path := filepath.Join(dir, dataName)
	for _, size := range []int64{2 * pageSize, 1000, 0} {
		if err := os.Truncate(path, size); err != nil {
			t.Fatal(err)
		}
		copied, err := Salvage(t.Context(), path, filepath.Join(t.TempDir(), "salvaged"), nil)
		if err != nil || len(copied.Missing) != 1 || !strings.Contains(copied.Missing[0], "nothing readable") {
			t.Errorf("%d bytes: %v, %v", size, copied.Missing, err)
		}
	}
}
