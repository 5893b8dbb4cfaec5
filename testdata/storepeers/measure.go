package main

import (
	"fmt"
	"io/fs"
	"log"
	"os"
	"path/filepath"
	"runtime"
	"runtime/debug"
	"slices"
	"strings"
	"time"

	"golang.org/x/sys/unix"
)

func rate(n int, took time.Duration) float64 { return float64(n) / took.Seconds() / 1e6 }

// figure reads a number that the kernel tells of this process.
func figure(file, name string) (n float64) {
	text, err := os.ReadFile(file)
	if err != nil {
		log.Fatal(err)
	}
	_, rest, ok := strings.Cut(string(text), name+":")
	if _, err := fmt.Sscan(rest, &n); err != nil || !ok {
		log.Fatalf("%s: no %s", file, name)
	}
	return n
}

// resident is the most this process ever held, MiB.
func resident() float64 { return figure("/proc/self/status", "VmHWM") / 1024 }

// written is how many bytes this process gave to write calls. What the device
// writes is no less, but for what is deleted before it gets there; the
// kernel's own count of that is wrong with large folios.
func written() float64 { return figure("/proc/self/io", "wchar") }

func size(dir string) (total float64) {
	_ = filepath.WalkDir(dir, func(_ string, d fs.DirEntry, err error) error {
		if err == nil && d.Type().IsRegular() {
			if info, err := d.Info(); err == nil {
				total += float64(info.Size())
			}
		}
		return nil
	})
	return total
}

// race reads the stores in turn, one point and all of them, and prints medians
// of the processor time: what else the machine does would decide otherwise.
func race(dir string, pairs int) error {
	runtime.LockOSThread()
	names := []string{"tickover", "prometheus", "sqlite"}
	readers := map[string]reader{}
	for _, name := range names {
		r, err := peers[name].open(filepath.Join(dir, name))
		if err != nil {
			return err
		}
		defer r.close()
		readers[name] = r
	}
	for _, all := range []bool{false, true} {
		rates := map[string][]float64{}
		var ratios []float64
		for i := range pairs {
			now := map[string]float64{}
			for _, name := range names {
				if name == "sqlite" && i > 2 {
					continue // it is far behind
				}
				speed, err := timed(readers[name], all)
				if err != nil {
					return err
				}
				now[name] = speed
				rates[name] = append(rates[name], speed)
			}
			ratios = append(ratios, now["tickover"]/now["prometheus"])
		}
		slices.Sort(ratios)
		what := map[bool]string{false: "one point", true: "all points"}[all]
		fmt.Printf("%-10s tickover %.1f, prometheus %.1f, sqlite %.2f Msamples/s; %.2f times prometheus (a tenth of the pairs below %.2f, a tenth above %.2f)\n", what,
			median(rates["tickover"]), median(rates["prometheus"]), median(rates["sqlite"]), median(ratios), ratios[len(ratios)/10], ratios[len(ratios)*9/10])
	}
	return nil
}

// timed reads once with a clean heap and no collection meanwhile.
func timed(r reader, all bool) (float64, error) {
	runtime.GC()
	defer debug.SetGCPercent(debug.SetGCPercent(-1))
	begin := threadTime()
	n, err := r.read(all)
	return rate(n, threadTime()-begin), err
}

// threadTime is what this thread has had of the processor.
func threadTime() time.Duration {
	var t unix.Timespec
	if err := unix.ClockGettime(unix.CLOCK_THREAD_CPUTIME_ID, &t); err != nil {
		log.Fatal(err)
	}
	return time.Duration(t.Nano())
}

func median(all []float64) float64 {
	sorted := slices.Sorted(slices.Values(all))
	return sorted[len(sorted)/2]
}
