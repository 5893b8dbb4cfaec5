//go:build peers

package store

import (
	"errors"
	"fmt"
	"math"
	"os/exec"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"tickover/model"
)

// TestPeerReaderGetsEveryBit has a reader that was written from FORMAT.md alone
// read files with readings of every kind, as a cut of power leaves them.
func TestPeerReaderGetsEveryBit(t *testing.T) {
	rows, minutes := 0, 0
	for seed := range 2 {
		s := mustOpen(t, options(t.TempDir()))
		draw := rapid.Custom(func(rt *rapid.T) []*model.Scan {
			at, scans := time.Duration(0), []*model.Scan(nil)
			for range 300 {
				at += time.Duration(rapid.SampledFrom([]int64{1e6, 1e9, 1e9, 1e9 + 3e6, 61e9}).Draw(rt, "gap"))
				scans = append(scans, drawScan(rt, at))
			}
			return scans
		})
		for _, scan := range draw.Example(seed) {
			mustAppend(t, s, scan)
		}
		smooth(t, s)
		if err := s.Flush(); err != nil {
			t.Fatal(err)
		}
		want := readings(t, s)
		same(t, fmt.Sprint("store ", seed), peerReads(t, copyStore(t, s.opts.Dir)), want)
		rows += len(want)
		if err := s.sealNow(); err != nil {
			t.Fatal(err)
		}
		want = figures(t, s)
		same(t, fmt.Sprint("minutes of store ", seed), peerReads(t, "--minutes", copyStore(t, s.opts.Dir)), want)
		minutes += len(want)
	}
	t.Logf("%d readings, %d minutes", rows, minutes)
}

func peerReads(t *testing.T, args ...string) []string {
	t.Helper()
	out, err := exec.Command("python3", append([]string{"../../testdata/peers/blocks.py"}, args...)...).Output()
	if err != nil {
		var exit *exec.ExitError
		if errors.As(err, &exit) {
			err = fmt.Errorf("%w: %s", err, exit.Stderr)
		}
		t.Fatal(err)
	}
	lines := strings.Split(strings.TrimSpace(string(out)), "\n")
	slices.Sort(lines)
	return lines
}

// smooth adds forty minutes of readings as sets give them, for the predictors.
func smooth(t *testing.T, s *Store) {
	t.Helper()
	begin := s.Last().Offset.Truncate(time.Second)
	for i := 1; i <= 2400; i++ {
		x, wave := float64(i), math.Sin(float64(i)/40)
		scan := scanAt("smooth/1s", 1, begin+time.Duration(i)*time.Second+time.Duration(i*i%3)*time.Millisecond,
			model.GoodSample("v", float64(2300+int(5*wave)+i*i%3)/10), model.GoodSample("t", float64(29000+i*2-27315)/100),
			model.GoodSample("p", float64(float32(float64(int(500*wave))/100))*1000), model.GoodSample("none", x*1.5),
			model.GoodSample("bits", math.Sqrt(x)), model.GoodSample("single", float64(float32(math.Sqrt(x)))),
			model.GoodSample("step", float64(i/900*30000)))
		for c := range scan.Samples {
			scan.Samples[c].Lag = time.Duration(50+c/3*40+i*i%7) * time.Millisecond
		}
		if i%97 == 0 {
			scan.Samples[i%7] = model.BadSample(scan.Samples[i%7].Point, model.Cause(i%13))
		}
		mustAppend(t, s, scan)
	}
}

func readings(t *testing.T, s *Store) (all []string) {
	t.Helper()
	for scan, err := range s.Scans(model.Query{}) {
		if err != nil {
			t.Fatal(err)
		}
		for _, x := range scan.Samples {
			all = append(all, fmt.Sprintf("%d\t%d\t%s\t%s\t%016x\t%d\t%d\t%d", scan.At.Boot, scan.At.Offset, scan.Group, x.Point,
				math.Float64bits(x.Value), x.Quality, x.Cause, x.Lag.Milliseconds()))
		}
	}
	slices.Sort(all)
	return all
}

// figures are the minutes as they lie in the file: of one that lies there in
// parts, each part.
func figures(t *testing.T, s *Store) (all []string) {
	t.Helper()
	for _, r := range s.groupReaders(model.Query{}) {
		for m, err := range r.storedMinutes() {
			if err != nil {
				t.Fatal(err)
			}
			for c, col := range m.cols {
				for i, minute := range m.at {
					bits := "\t\t"
					if col.Count[i] > 0 {
						bits = fmt.Sprintf("%016x\t%016x\t%016x", math.Float64bits(col.Mean[i]), math.Float64bits(col.Min[i]), math.Float64bits(col.Max[i]))
					}
					all = append(all, fmt.Sprintf("%d\t%d\t%s\t%s\t%s\t%d\t%d", m.boot, minute, r.name, m.schema.points[c], bits, col.Count[i], col.Covered[i]))
				}
			}
		}
	}
	slices.Sort(all)
	return all
}
