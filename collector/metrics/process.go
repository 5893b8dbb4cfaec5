package metrics

import (
	"fmt"
	"os"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"golang.org/x/sys/unix"
)

// process is the program as the system sees it, under the usual names. The
// collector that comes with the library also reads the counters of the network
// and of every processor, which costs more than all our own series together.
// It may be used by several scrapes at once.
type process struct {
	labels                                     *labels
	cpu, resident, virtual, start, files, most series

	mu    sync.Mutex
	began time.Time // by the wall clock as last seen
}

func newProcess() *process {
	return &process{
		labels:   newLabels(),
		cpu:      counter("process_cpu_seconds_total", "Processor time the program took."),
		resident: gauge("process_resident_memory_bytes", "Memory the program holds, the mapped part of the store's file included."),
		virtual:  gauge("process_virtual_memory_bytes", "Addresses the program has reserved."),
		start:    gauge("process_start_time_seconds", "When the program began, in Unix time by the clock of now."),
		files:    gauge("process_open_fds", "Open files and connections."),
		most:     gauge("process_max_fds", "How many may be open."),
	}
}

// Describe implements prometheus.Collector.
func (p *process) Describe(out chan<- *prometheus.Desc) {
	for _, s := range []series{p.cpu, p.resident, p.virtual, p.start, p.files, p.most} {
		out <- s.desc
	}
}

// Collect implements prometheus.Collector. What the system does not tell is
// left out.
func (p *process) Collect(out chan<- prometheus.Metric) {
	send := sender{out, p.labels}
	var used unix.Rusage
	if unix.Getrusage(unix.RUSAGE_SELF, &used) == nil {
		send.value(p.cpu, float64(used.Utime.Nano()+used.Stime.Nano())/1e9)
	}
	if text, err := os.ReadFile("/proc/self/stat"); err == nil {
		if s, err := readStat(string(text)); err == nil {
			send.value(p.resident, float64(s.resident)*float64(os.Getpagesize()))
			send.value(p.virtual, float64(s.virtual))
			send.value(p.start, float64(p.beginning(s.began, time.Now()).UnixMilli())/1e3)
		}
	}
	if open, err := os.ReadDir("/proc/self/fd"); err == nil {
		send.value(p.files, float64(len(open)-1)) // the folder itself is open meanwhile
	}
	var limit unix.Rlimit
	if unix.Getrlimit(unix.RLIMIT_NOFILE, &limit) == nil {
		send.value(p.most, float64(limit.Cur))
	}
}

// beginning is the wall time of an offset since the computer's boot. It stays
// the same from scrape to scrape until the wall clock is set.
func (p *process) beginning(offset time.Duration, now time.Time) time.Time {
	var up unix.Timespec
	if unix.ClockGettime(unix.CLOCK_BOOTTIME, &up) != nil {
		return p.began
	}
	at := now.Add(offset - time.Duration(up.Nano()))
	p.mu.Lock()
	defer p.mu.Unlock()
	if at.Sub(p.began).Abs() > time.Second {
		p.began = at
	}
	return p.began
}

// stat is what /proc/PID/stat says of a program.
type stat struct {
	began    time.Duration // since the computer's boot
	virtual  uint64        // bytes
	resident uint64        // pages
}

// readStat reads the fields 22 to 24 of proc(5). The second is the program's
// name in brackets, which may hold anything.
func readStat(text string) (stat, error) {
	rest := strings.Fields(text[strings.LastIndexByte(text, ')')+1:])
	if len(rest) < 22 {
		return stat{}, fmt.Errorf("%q is no state of a program", text)
	}
	var n [3]uint64
	for i := range n {
		var err error
		if n[i], err = strconv.ParseUint(rest[19+i], 10, 64); err != nil {
			return stat{}, fmt.Errorf("field %d of a program's state: %w", 22+i, err)
		}
	}
	const tick = 10 * time.Millisecond // the kernel counts in these for programs, on every processor
	return stat{time.Duration(n[0]) * tick, n[1], n[2]}, nil
}
