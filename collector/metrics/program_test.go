package metrics

import (
	"os"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"golang.org/x/sys/unix"
)

// The figures of this very program, against what the system says elsewhere.
func TestTheProgramIsAsTheSystemSeesIt(t *testing.T) {
	registry := prometheus.NewPedanticRegistry()
	p := newProcess()
	registry.MustRegister(p)
	value := func(name string) float64 {
		t.Helper()
		families, err := registry.Gather()
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range families {
			if m := f.GetMetric()[0]; f.GetName() == name {
				return m.GetGauge().GetValue() + m.GetCounter().GetValue()
			}
		}
		t.Fatalf("no %s", name)
		return 0
	}
	before := value("process_open_fds")
	f, err := os.Open(os.DevNull)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if after := value("process_open_fds"); after != before+1 {
		t.Errorf("%g open files, and %g with one more", before, after)
	}
	held, err := unix.Mmap(-1, 0, 64<<20, unix.PROT_READ|unix.PROT_WRITE, unix.MAP_ANON|unix.MAP_PRIVATE)
	if err != nil {
		t.Fatal(err)
	}
	defer unix.Munmap(held)
	small := value("process_resident_memory_bytes")
	for i := 0; i < len(held); i += os.Getpagesize() {
		held[i] = 1
	}
	if grown := value("process_resident_memory_bytes") - small; grown < 48<<20 || grown > 80<<20 {
		t.Errorf("64 MiB more are shown as %g bytes", grown)
	}
	began := value("process_start_time_seconds")
	if age := float64(time.Now().Unix()) - began; age < -1 || age > 3600 || value("process_start_time_seconds") != began {
		t.Errorf("it began %g s ago, and then at another time", age)
	}
	if set := p.beginning(0, time.Now().Add(time.Hour)); set.Sub(p.beginning(0, time.Now())).Round(time.Minute) != time.Hour {
		t.Error("a clock that was set does not show")
	}
}

func TestStatesThatAreNone(t *testing.T) {
	if s, err := readStat("7 (a) name) S 1 2 3 4 5 6 7 8 9 10 11 12 13 14 15 16 17 18 250 4096 12 19"); err != nil || s != (stat{2500 * time.Millisecond, 4096, 12}) {
		t.Errorf("%+v, %v", s, err)
	}
	for _, text := range []string{"", "7 (name", "7 (name) S 1 2", "7 (name) S" + strings.Repeat(" x", 30)} {
		if s, err := readStat(text); err == nil {
			t.Errorf("%q is read as %+v", text, s)
		}
	}
}

// Scrapes at the same time share labels and do not mix them up.
func TestScrapesAtOnceSayTheSame(t *testing.T) {
	b := full()
	want := b.samples(t)
	var work sync.WaitGroup
	for range 8 {
		work.Go(func() {
			if got := b.samples(t); !slices.Equal(got, want) {
				t.Errorf("%d series beside others, %d alone, or with other values", len(got), len(want))
			}
		})
	}
	work.Wait()
}

// samples is every series of the set and of the daemon with its value, sorted.
func (b *bench) samples(t *testing.T) []string {
	registry := prometheus.NewPedanticRegistry()
	registry.MustRegister(b.Collector)
	families, err := registry.Gather()
	if err != nil {
		t.Error(err)
	}
	var all []string
	for _, f := range families {
		for _, m := range f.GetMetric() {
			all = append(all, f.GetName()+" "+m.String())
		}
	}
	slices.Sort(all)
	return all
}
