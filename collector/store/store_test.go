package store

import (
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"tickover/model"
)

func same(t testing.TB, what string, got, want []string) {
	t.Helper()
	if !slices.Equal(got, want) {
		for i := range max(len(got), len(want)) {
			g, w := "nothing", "nothing"
			if i < len(got) {
				g = got[i]
			}
			if i < len(want) {
				w = want[i]
			}
			if g != w {
				t.Fatalf("%s: %d of %d, line %d:\n got %s\nwant %s", what, len(got), len(want), i, g, w)
			}
		}
	}
}

// drawValue draws values as registers give them and values that no register
// gives, every bit pattern included.
func drawValue(t *rapid.T) float64 {
	switch rapid.IntRange(0, 7).Draw(t, "form") {
	case 0:
		return math.Float64frombits(rapid.Uint64().Draw(t, "bits"))
	case 1:
		return float64(math.Float32frombits(rapid.Uint32().Draw(t, "bits")))
	case 2:
		return rapid.SampledFrom([]float64{math.NaN(), math.Inf(1), math.Inf(-1), math.Copysign(0, -1), 0,
			math.Float64frombits(0x7ff8000000000123), math.MaxFloat64, math.SmallestNonzeroFloat64, 1 << 62, -1 << 63}).Draw(t, "odd")
	}
	k := rapid.Int64Range(-70000, 70000).Draw(t, "k")
	return testPoints()["v"].Register.Resolution.Value(k)
}

func drawSample(t *rapid.T, p model.PointID) model.Sample {
	s := model.GoodSample(p, drawValue(t))
	switch rapid.IntRange(0, 9).Draw(t, "quality") {
	case 0:
		s = model.BadSample(p, model.Cause(rapid.IntRange(0, 12).Draw(t, "cause")))
	case 1:
		s.Quality, s.Cause = model.Quality(rapid.Byte().Draw(t, "q")), model.Cause(rapid.Byte().Draw(t, "c"))
	}
	return s
}

// TestRoundTrip keeps arbitrary scans of two groups over schema changes, gaps,
// block marks, flushes and reopenings and wants every bit back.
func TestRoundTrip(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(rt *rapid.T) {
		dir, err := os.MkdirTemp(t.TempDir(), "")
		if err != nil {
			rt.Fatal(err)
		}
		s, err := Open(options(dir))
		if err != nil {
			rt.Fatal(err)
		}
		var want []string
		at := time.Duration(0)
		for range rapid.IntRange(1, 60).Draw(rt, "steps") {
			at += time.Duration(rapid.SampledFrom([]int64{1, 1e6, 1e9, 1e9 + 3e6, 61e9, 601e9}).Draw(rt, "gap"))
			scan := drawScan(rt, at)
			if err := s.Append(scan, nil); err != nil {
				rt.Fatal(err)
			}
			want = append(want, line(scan))
			switch rapid.IntRange(0, 15).Draw(rt, "then") {
			case 0:
				if err := s.Flush(); err != nil {
					rt.Fatal(err)
				}
			case 1:
				if err := s.Close(); err != nil {
					rt.Fatal(err)
				}
				if s, err = Open(options(dir)); err != nil {
					rt.Fatal(err)
				}
			}
		}
		same(t, "open", lines(t, s, model.Query{}), want)
		if err := s.Close(); err != nil {
			rt.Fatal(err)
		}
		mustBeClean(rt, dir)
		r := mustOpen(t, Options{Dir: dir, ReadOnly: true, LockTimeout: -1})
		same(t, "reopened", lines(t, r, model.Query{}), want)
		mustClose(t, r)
	})
}

func drawScan(rt *rapid.T, at time.Duration) *model.Scan {
	group := rapid.SampledFrom([]string{"meter/1s", "adapter/1s"}).Draw(rt, "group")
	points := []model.PointID{"v", "t", "p", "nobody.knows"}[:rapid.SampledFrom([]int{4, 4, 4, 4, 3, 0}).Draw(rt, "points")]
	scan := scanAt(group, 1, at)
	requests := rapid.SliceOfN(rapid.SampledFrom([]time.Duration{0, 0, time.Millisecond, 37 * time.Millisecond, time.Hour, math.MaxInt32 * lagUnit}), 2, 2).Draw(rt, "lags")
	for i, p := range points {
		sample := drawSample(rt, p)
		sample.Lag = requests[i%2]
		if rapid.IntRange(0, 9).Draw(rt, "alone") == 0 {
			sample.Lag = time.Duration(rapid.Int32Range(0, math.MaxInt32).Draw(rt, "lag")) * lagUnit
		}
		scan.Samples = append(scan.Samples, sample)
	}
	scan.Measured = len(scan.Samples)
	return scan
}

// fill keeps rows of two requests.
func fill(t testing.TB, s *Store, boot uint32, from, n int) (want []string) {
	t.Helper()
	return fillLate(t, s, boot, from, n, 40*time.Millisecond, 95*time.Millisecond)
}

// fillLate keeps rows of two requests that take about so long, or no time at
// all with 0.
func fillLate(t testing.TB, s *Store, boot uint32, from, n int, v, temperature time.Duration) (want []string) {
	t.Helper()
	for i := from; i < from+n; i++ {
		scan := scanAt("meter/1s", boot, time.Duration(i)*time.Second,
			model.GoodSample("v", model.Resolution{Num: 1, Den: 10}.Value(int64(2300+i*7919%13))),
			model.GoodSample("t", model.Resolution{Num: 1, Den: 100, Off: -27315}.Value(int64(29000+i))))
		if v > 0 {
			scan.Samples[0].Lag = v + time.Duration(i%4)*time.Millisecond
			scan.Samples[1].Lag = temperature + time.Duration(i*i%5)*time.Millisecond
		}
		if i%50 == 7 {
			scan.Samples[0] = model.BadSample("v", model.NoAnswer)
		}
		mustAppend(t, s, scan)
		want = append(want, line(scan))
	}
	return want
}

// TestCutOfPower copies the files of a working store and opens the copy: what
// was flushed, every event and all but the tail must be there, once.
func TestCutOfPower(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	s := mustOpen(t, options(dir))
	want := fill(t, s, 1, 0, 1300)
	if err := s.AppendEvents([]model.Event{note(1, 1300*time.Second, "load on")}); err != nil {
		t.Fatal(err)
	}
	want = append(want, fill(t, s, 1, 1300, 3)...)
	for range 2 { // the second time proves that replaying changed nothing
		c := copyStore(t, dir)
		r := mustOpen(t, options(c))
		got := lines(t, r, model.Query{})
		if len(got) < len(want)-5 {
			t.Fatalf("lost %d rows, the tail is 5 s", len(want)-len(got))
		}
		same(t, "after cut", got, want[:len(got)])
		same(t, "events", eventTexts(t, r, model.Query{}), []string{"1 1+21m40s load on"})
		if r.Boot() != 1 {
			t.Fatalf("boot %d", r.Boot())
		}
		dir = c
		again := copyStore(t, c)
		r2 := mustOpen(t, options(again))
		same(t, "replayed twice", lines(t, r2, model.Query{}), got)
	}
}

// TestTail wants no more rows at risk than asked for, busy and steady.
func TestTail(t *testing.T) {
	for _, busy := range []bool{false, true} {
		dir := t.TempDir()
		s := mustOpen(t, options(dir))
		s.SetBusy(busy)
		tail := 5
		if busy {
			tail = 1
		}
		for i := range 20 {
			want := fill(t, s, 1, i, 1)
			r := mustOpen(t, options(copyStore(t, dir)))
			oldest := i + 1 - (len(want) + i - len(lines(t, r, model.Query{})))
			if i+1-oldest > tail {
				t.Fatalf("busy %v: %d s at risk", busy, i+1-oldest)
			}
		}
	}
}

func TestTwoBoots(t *testing.T) {
	dir := t.TempDir()
	s := mustOpen(t, options(dir))
	want := fill(t, s, 1, 100, 30)
	mustClose(t, s)
	o := options(dir)
	o.KernelBoot = "22222222-2222-2222-2222-222222222222"
	s = mustOpen(t, o)
	if s.Boot() != 2 {
		t.Fatalf("boot %d", s.Boot())
	}
	want = append(want, fill(t, s, 2, 3, 30)...)
	same(t, "both", lines(t, s, model.Query{}), want)
	same(t, "second", lines(t, s, model.Query{From: model.Instant{Boot: 2}}), want[30:])
	e := model.ClockEstimate{At: time.Minute, Wall: 1_700_000_000e9, Source: model.ClockPhone}
	if err := errors.Join(s.Estimate(1, e), s.Estimate(1, e)); err != nil {
		t.Fatal(err)
	}
	if err := s.Estimate(9, e); !errors.Is(err, errBoot) {
		t.Fatal(err)
	}
	mustClose(t, s)
	s = mustOpen(t, o)
	b, _ := s.Clock().Boot(1)
	if len(b.Estimates) != 1 || b.First != 100*time.Second || b.Last != 129*time.Second || b.Kernel != bootOne {
		t.Fatalf("%+v", b)
	}
	third := s.newBoot("simulated")
	if err := s.seal(); err != nil || third != 3 {
		t.Fatal(third, err)
	}
	fill(t, s, 3, 0, 5)
	if b, _ := s.Clock().Boot(3); b.First != 0 || b.Last != 4*time.Second {
		t.Fatalf("%+v", b)
	}
	if err := s.Append(scanAt("meter/1s", 2, time.Hour), nil); !errors.Is(err, errOrder) {
		t.Fatal(err)
	}
	if err := s.Append(scanAt("meter/1s", 4, time.Hour), nil); !errors.Is(err, errBoot) {
		t.Fatal(err)
	}
}

func TestQueries(t *testing.T) {
	s := mustOpen(t, options(t.TempDir()))
	all := fill(t, s, 1, 0, 1900)
	at := func(sec int) model.Instant { return model.Instant{Boot: 1, Offset: time.Duration(sec) * time.Second} }
	for _, span := range [][2]int{{0, 1900}, {1, 2}, {599, 601}, {600, 1200}, {1795, 1805}, {1899, 5000}, {2000, 3000}, {50, 50}} {
		want := all[min(span[0], 1900):min(span[1], 1900)]
		same(t, fmt.Sprint(span), lines(t, s, model.Query{From: at(span[0]), To: at(span[1])}), want)
	}
	for _, n := range []int{1, 99, 101, 700, 1899, 1900, 5000} {
		same(t, fmt.Sprint("newest ", n), lines(t, s, model.Query{Newest: n}), all[max(1900-n, 0):])
	}
	same(t, "newest before", lines(t, s, model.Query{Newest: 10, To: at(605)}), all[595:605])
	n := 0
	for scan, err := range s.Scans(model.Query{Points: []model.PointID{"t"}}) {
		if err != nil || len(scan.Samples) != 1 || scan.Samples[0].Point != "t" {
			t.Fatal(scan, err)
		}
		n++
	}
	if n != 1900 {
		t.Fatal(n)
	}
	if got := lines(t, s, model.Query{Points: []model.PointID{"none"}}); len(got) != 0 {
		t.Fatal(got)
	}
}

// TestReadersBesideWriter reads while rows are sealed under its feet; run it
// with -race.
func TestReadersBesideWriter(t *testing.T) {
	t.Parallel()
	s := mustOpen(t, options(t.TempDir()))
	done := make(chan error)
	go func() {
		for range 20 {
			i := 0
			for scan, err := range s.Scans(model.Query{}) {
				if err != nil || scan.At.Offset != time.Duration(i)*time.Second {
					done <- fmt.Errorf("row %d is %v: %v", i, scan, err)
					return
				}
				i++
			}
			s.Health()
		}
		done <- nil
	}()
	fill(t, s, 1, 0, 3000)
	if err := <-done; err != nil {
		t.Fatal(err)
	}
}

func TestLock(t *testing.T) {
	dir := t.TempDir()
	mustOpen(t, options(dir))
	for _, readOnly := range []bool{false, true} {
		if _, err := Open(Options{Dir: dir, LockTimeout: time.Millisecond, ReadOnly: readOnly}); !errors.Is(err, ErrLocked) {
			t.Fatal(err)
		}
	}
}

func TestNothingThere(t *testing.T) {
	if _, err := Open(Options{Dir: t.TempDir(), ReadOnly: true}); !errors.Is(err, ErrNone) {
		t.Fatal(err)
	}
	dir := filepath.Join(t.TempDir(), "deep", "down")
	mustOpen(t, options(dir))
	st, err := os.Stat(dir)
	if err != nil || st.Mode().Perm() != 0o700 {
		t.Fatal(st.Mode(), err)
	}
}

func TestSetup(t *testing.T) {
	dir := t.TempDir()
	s := mustOpen(t, options(dir))
	if _, ok, _ := s.Setup(); ok {
		t.Fatal("a setup in an empty store")
	}
	for i, line := range []string{"a", "a", "b"} {
		setup := model.Setup{Lines: []model.Line{{Name: line}}}
		if err := s.PutSetup(model.Instant{Boot: 1, Offset: time.Duration(i)}, setup); err != nil {
			t.Fatal(err)
		}
	}
	mustClose(t, s)
	s = mustOpen(t, options(dir))
	setup, ok, err := s.Setup()
	if err != nil || !ok || len(setup.Lines) != 1 || setup.Lines[0].Name != "b" {
		t.Fatal(setup, ok)
	}
}

// TestADamagedConfigurationLeavesTheOneBefore damages the newest configuration, or
// all of them: by its checksum and by what it says. The newest readable one is
// used, the damage is returned and verify finds it. The next one that is kept
// ends it, even when it equals the one before.
func TestADamagedConfigurationLeavesTheOneBefore(t *testing.T) {
	named := func(name string) model.Setup { return model.Setup{Lines: []model.Line{{Name: name}}} }
	for name, c := range map[string]struct {
		damaged int // how many of two
		want    string
	}{"newest": {1, "older"}, "both": {2, ""}} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			s := mustOpen(t, options(dir))
			for i, line := range []string{"older", "newer"} {
				if err := s.PutSetup(model.Instant{Boot: 1, Offset: time.Duration(i)}, named(line)); err != nil {
					t.Fatal(err)
				}
			}
			all := entries(t, s, bucketSetups)
			mustClose(t, s)
			spoil(t, filepath.Join(dir, dataName), all[len(all)-c.damaged:])
			s, err := Open(Options{Dir: dir, ReadOnly: true, LockTimeout: -1})
			if err != nil {
				t.Fatal(err)
			}
			setup, ok, err := s.Setup()
			if !errors.Is(err, ErrDamaged) || ok != (c.want != "") || ok && setup.Lines[0].Name != c.want {
				t.Errorf("setup %+v, %v, %v", setup.Lines, ok, err)
			}
			if f, err := s.Verify(t.Context(), nil); err != nil || len(f.Problems) != c.damaged {
				t.Errorf("verify: %+v, %v; %d are damaged", f.Problems, err, c.damaged)
			}
			if err := s.Close(); err != nil {
				t.Fatal(err)
			}
			again, err := Open(options(dir))
			if err != nil {
				t.Fatal(err)
			}
			defer again.Close()
			if err := again.PutSetup(model.Instant{Boot: 1, Offset: time.Second}, named("older")); err != nil {
				t.Fatal(err)
			}
			if setup, ok, err := again.Setup(); err != nil || !ok || setup.Lines[0].Name != "older" {
				t.Errorf("after a new one: %+v, %v, %v", setup.Lines, ok, err)
			}
		})
	}
}

// TestQuietLine wants the last rows on the card within the tail although no
// further scan comes.
func TestQuietLine(t *testing.T) {
	o := options(t.TempDir())
	o.TailSteady = 30 * time.Millisecond
	s := mustOpen(t, o)
	mustAppend(t, s, scanAt("meter/1s", 1, 0, model.GoodSample("v", 1)))
	for s.Health().Pending > 0 {
		time.Sleep(time.Millisecond) // ends with the test's own limit if no timer fires
	}
	r := mustOpen(t, options(copyStore(t, o.Dir)))
	if got := lines(t, r, model.Query{}); len(got) != 1 {
		t.Fatal(got)
	}
}
