package store

import (
	"bytes"
	"compress/gzip"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	bolt "go.etcd.io/bbolt"
	"pgregory.net/rapid"

	"tickover/model"
)

// minuteLines renders minutes so that figures can be compared; the mean, which
// is kept to a tenth of the resolution, stands apart. meanwhile runs when the
// first minutes have come.
func minuteLines(t testing.TB, s *Store, q model.Query, meanwhile ...func()) (out []string, means map[string]float64) {
	t.Helper()
	means = map[string]float64{}
	for m, err := range s.Minutes(q) {
		if err != nil {
			t.Fatal(err)
		}
		for _, run := range meanwhile {
			run()
		}
		meanwhile = nil
		for c, p := range m.Points {
			for i := range m.At {
				col := m.Columns[c]
				if col.Count[i] == 0 {
					continue
				}
				key := fmt.Sprintf("%s %s %s", m.Group, m.Instant(i), p)
				means[key] = col.Mean[i]
				out = append(out, fmt.Sprintf("%s %x %x %d", key, math.Float64bits(col.Min[i]), math.Float64bits(col.Max[i]), col.Count[i]))
			}
		}
	}
	slices.Sort(out)
	return out, means
}

// plainMinutes works the same out of the scans, one by one.
func plainMinutes(t testing.TB, s *Store) (out []string, means map[string]float64) {
	t.Helper()
	type tally struct {
		low, high, sum float64
		n              int
	}
	all := map[string]*tally{}
	means = map[string]float64{}
	for scan, err := range s.Scans(model.Query{}) {
		if err != nil {
			t.Fatal(err)
		}
		minute := model.Instant{Boot: scan.At.Boot, Offset: scan.At.Offset.Truncate(time.Minute)}
		for _, x := range scan.Samples {
			if x.Quality != model.Good || math.IsNaN(x.Value) || math.IsInf(x.Value, 0) {
				continue
			}
			key := fmt.Sprintf("%s %s %s", scan.Group, minute, x.Point)
			a := all[key]
			if a == nil {
				a = &tally{low: x.Value, high: x.Value}
				all[key] = a
			}
			a.low, a.high, a.sum, a.n = min(a.low, x.Value), max(a.high, x.Value), a.sum+x.Value, a.n+1
		}
	}
	for key, a := range all {
		out = append(out, fmt.Sprintf("%s %x %x %d", key, math.Float64bits(a.low), math.Float64bits(a.high), a.n))
		means[key] = a.sum / float64(a.n)
	}
	slices.Sort(out)
	return out, means
}

// TestMinutes compares the minutes with those worked out of the scans, with
// reads that failed, a sealing in the middle of a minute, and rows in memory.
func TestMinutes(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	s := mustOpen(t, options(dir))
	fill(t, s, 1, 0, 27000)
	mustClose(t, s) // seals in the middle of a minute
	s = mustOpen(t, options(dir))
	fill(t, s, 1, 27000, 777)
	got, means := minuteLines(t, s, model.Query{})
	want, plain := plainMinutes(t, s)
	same(t, "minutes", got, want)
	if len(want) != 2*463 {
		t.Fatal(len(want))
	}
	for key, m := range means {
		// Scans at an even second: the mean over time is the plain mean, but
		// for what rounding to a tenth of the resolution (0.1 V) and joining
		// two parts of a minute take.
		if math.Abs(m-plain[key]) > 0.011 {
			t.Fatalf("%s: mean %v, of the scans %v", key, m, plain[key])
		}
	}
	from := model.Instant{Boot: 1, Offset: 2 * time.Hour}
	part, _ := minuteLines(t, s, model.Query{From: from, To: from.Add(time.Hour), Points: []model.PointID{"t"}})
	if len(part) != 60 {
		t.Fatal(len(part))
	}
}

// TestMinutesSealedMeanwhile seals the rows in memory while minutes are read:
// each minute comes once, with no sample counted twice. 659 rows and the one
// before end a minute, 21700 begin a new chunk.
func TestMinutesSealedMeanwhile(t *testing.T) {
	t.Parallel()
	for _, rows := range []int{5, 659, 700, 900, 21700} {
		s := mustOpen(t, options(t.TempDir()))
		fill(t, s, 1, 0, rows)
		mustAppend(t, s, scanAt("a", 1, time.Duration(rows)*time.Second, model.GoodSample("p", 1)))
		want, means := minuteLines(t, s, model.Query{})
		got, sealed := minuteLines(t, s, model.Query{}, func() {
			if err := s.seal(); err != nil {
				t.Fatal(err)
			}
			fill(t, s, 1, rows, 10)
		})
		same(t, fmt.Sprint(rows, " rows"), got, want)
		for key, m := range means {
			if math.Abs(m-sealed[key]) > 0.011 {
				t.Fatalf("%s: mean %v, before the sealing %v", key, sealed[key], m)
			}
		}
		mustClose(t, s)
	}
}

// TestMinutesWeighTime holds the mean against one worked out by hand: 10 for
// 50 s, 40 for 10 s, and a gap that counts for nothing.
func TestMinutesWeighTime(t *testing.T) {
	s := mustOpen(t, options(t.TempDir()))
	at := time.Duration(0)
	add := func(v float64, step time.Duration) {
		mustAppend(t, s, scanAt("g", 1, at, model.GoodSample("v", v)))
		at += step
	}
	for range 5 {
		add(10, 10*time.Second)
	}
	for range 5 {
		add(40, 2*time.Second)
	}
	at += time.Hour
	add(70, time.Second)
	_, means := minuteLines(t, s, model.Query{})
	if m := means["g 1+0s v"]; m != 15 {
		t.Fatalf("mean %v, by hand 15", m)
	}
	if len(means) != 2 {
		t.Fatal(means)
	}
}

// TestMinutesOfAnything keeps arbitrary scans: least and greatest come back
// bit for bit, and nothing is ever damaged.
func TestMinutesOfAnything(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(rt *rapid.T) {
		sc := &schema{group: "g", points: []model.PointID{"v", "t", "p", "nobody.knows"}}
		for _, p := range sc.points {
			sc.scales = append(sc.scales, scaleOf(testPoints()[p]))
		}
		r := newRows(sc, 1)
		at := time.Duration(rapid.Int64Range(0, 1e15).Draw(rt, "begin"))
		for range rapid.IntRange(1, 40).Draw(rt, "rows") {
			at += time.Duration(rapid.SampledFrom([]int64{1, 1e9, 61e9}).Draw(rt, "gap"))
			scan := scanAt("g", 1, at)
			for _, p := range sc.points {
				scan.Samples = append(scan.Samples, drawSample(rt, p))
			}
			scan.Measured = len(scan.Samples)
			r.add(scan)
		}
		m := summarise(r)
		back, err := decodeMinutes(m.encode(), sc, 1, nil)
		if err != nil {
			rt.Fatal(err)
		}
		for c := range m.cols {
			a, b := m.cols[c], back.cols[c]
			if !sameBits(a.Min, b.Min) || !sameBits(a.Max, b.Max) || !slices.Equal(a.Count, b.Count) || !slices.Equal(a.Covered, b.Covered) {
				rt.Fatalf("column %d: %+v\n%+v", c, a, b)
			}
		}
	})
}

// oldStore unpacks a store that an earlier version wrote.
func oldStore(t *testing.T, format string) string {
	t.Helper()
	dir := t.TempDir()
	for _, name := range []string{dataName, ringName} {
		in, err := os.Open(filepath.Join("..", "..", "testdata", "store", format, name+".gz"))
		if err != nil {
			t.Fatal(err)
		}
		z, err := gzip.NewReader(in)
		if err != nil {
			t.Fatal(err)
		}
		text, err := io.ReadAll(z)
		if err := errors.Join(err, in.Close(), os.WriteFile(filepath.Join(dir, name), text, 0o600)); err != nil {
			t.Fatal(err)
		}
	}
	return dir
}

// TestFormat1 and TestFormat2 read stores of earlier formats, left as a cut
// of power leaves them, without and with bringing them up to date. What is
// kept from then on has its lags, in the same block.
func TestFormat1(t *testing.T) {
	t.Parallel()
	readOld(t, "format1")
}

func TestFormat2(t *testing.T) {
	t.Parallel()
	s := readOld(t, "format2")
	if picture, err := s.Photo(1); err != nil || string(picture) != "a picture" {
		t.Fatalf("photo %q, %v", picture, err)
	}
	mustClose(t, s)
	s = mustOpen(t, options(s.opts.Dir))
	if n := len(entries(t, s, bucketSpares)); n != 1 {
		t.Fatalf("%d spares of one schema", n)
	}
}

func readOld(t *testing.T, format string) *Store {
	t.Helper()
	fresh := mustOpen(t, options(t.TempDir()))
	want := fillLate(t, fresh, 1, 0, 1920, 0, 0)
	figures, _ := minuteLines(t, fresh, model.Query{})
	dir := oldStore(t, format)
	o := options(dir)
	o.ReadOnly = true
	s := mustOpen(t, o)
	check := func(what string) {
		same(t, what, lines(t, s, model.Query{}), want)
		got, _ := minuteLines(t, s, model.Query{})
		same(t, what+": minutes", got, figures)
		same(t, what+": events", eventTexts(t, s, model.Query{})[:2], []string{"1 1+31m40s load on", "2 1+16m40s oil"})
		if b, _ := s.Clock().Boot(1); len(b.Estimates) != 1 || b.Estimates[0].Source != model.ClockPhone {
			t.Fatal(b)
		}
		if setup, ok, err := s.Setup(); err != nil || !ok || !setup.Simulated {
			t.Fatal(setup)
		}
	}
	check("as it is")
	mustClose(t, s)
	s = mustOpen(t, options(dir))
	check("brought up to date")
	want = append(want, fill(t, s, 1, 1920, 700)...)
	fill(t, fresh, 1, 1920, 700)
	figures, _ = minuteLines(t, fresh, model.Query{})
	check("and went on with")
	return s
}

// TestMinutesOutliveBlock loses the newest block but not its minutes. The ring
// gives rows of it back; each minute must be there once, with no sample
// counted twice, and verify must find nothing out of order.
func TestMinutesOutliveBlock(t *testing.T) {
	t.Parallel()
	for _, first := range []int{601, 615, 660, 900, 1830, 2005} {
		dir := t.TempDir()
		o := options(dir)
		s := mustOpen(t, o)
		fill(t, s, 1, 0, first) // sealed at the mark of ten minutes, the rest by closing
		mustClose(t, s)
		s = mustOpen(t, o)
		want, _ := minuteLines(t, s, model.Query{})
		err := s.data.update(func(tx *bolt.Tx) error {
			bucket := tx.Bucket(bucketBlocks).Bucket([]byte("gmeter/1s"))
			k, _ := bucket.Cursor().Last()
			return errors.Join(bucket.Delete(bytes.Clone(k)), tx.Bucket(bucketMeta).Delete(keySealed))
		})
		if err != nil {
			t.Fatal(err)
		}
		mustClose(t, s)
		s = mustOpen(t, o) // takes all of the ring again
		mustClose(t, s)
		s = mustOpen(t, o)
		got, _ := minuteLines(t, s, model.Query{})
		same(t, fmt.Sprint(first, " rows"), got, want)
		left := len(lines(t, s, model.Query{}))
		mustClose(t, s)
		s = mustOpenPlain(t, Options{Dir: dir, ReadOnly: true})
		f, err := s.Verify(t.Context(), nil)
		if err != nil || f.Clean() != (left == first) {
			t.Fatalf("%d of %d rows are left, and verify tells %v", left, first, f.Problems)
		}
		mustClose(t, s)
	}
}
