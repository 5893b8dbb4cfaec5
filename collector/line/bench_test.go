package line

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"runtime"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"tickover/collector/slave"
	"tickover/model"
)

// TestMain lets this binary be the other end of the wire as well: a process
// of its own, so that neither its work nor its collector of garbage is the
// line's.
func TestMain(m *testing.M) {
	if setting := os.Getenv("LINE_BENCH_PACE"); setting != "" {
		if err := beSlave(setting); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		os.Exit(0)
	}
	os.Exit(m.Run())
}

// beSlave serves a pseudo-terminal, prints its path, and how it went when the
// other end was closed.
func beSlave(setting string) error {
	var pace slave.Pace
	if err := json.Unmarshal([]byte(setting), &pace); err != nil {
		return err
	}
	master, path, err := slave.OpenPTY()
	if err != nil {
		return err
	}
	fmt.Println(path)
	e, err := slave.ServeExact(master, numbers(), pace)
	if err != nil {
		return err
	}
	return json.NewEncoder(os.Stdout).Encode(e)
}

// otherEnd starts the slave's process.
func otherEnd(b *testing.B, pace slave.Pace) (path string, wait func() slave.Exactness) {
	b.Helper()
	setting, err := json.Marshal(pace)
	if err != nil {
		b.Fatal(err)
	}
	self, err := os.Executable()
	if err != nil {
		b.Fatal(err)
	}
	cmd := exec.Command(self)
	cmd.Env = append(os.Environ(), "LINE_BENCH_PACE="+string(setting))
	cmd.Stderr = os.Stderr
	out, err := cmd.StdoutPipe()
	if err != nil {
		b.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { _ = cmd.Process.Kill(); _ = cmd.Wait() })
	lines := bufio.NewReader(out)
	first, err := lines.ReadString('\n')
	if err != nil {
		b.Fatal(err)
	}
	return strings.TrimSpace(first), func() (e slave.Exactness) {
		if err := json.NewDecoder(lines).Decode(&e); err != nil {
			b.Fatalf("the slave ended without its report: %v, %v", err, cmd.Wait())
		}
		return e
	}
}

// cpu is the processor time of this process, and how often its threads gave
// the processor back to wait.
func cpu() (used time.Duration, waits int64) {
	var u unix.Rusage
	if err := unix.Getrusage(unix.RUSAGE_SELF, &u); err != nil {
		return 0, 0
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano()), int64(u.Nvcsw)
}

// beside burns one processor until stopped, in a daemon that has as many
// threads to spare as cmd/tickover gives it.
func beside(b *testing.B) (stop func()) {
	was := runtime.GOMAXPROCS(runtime.NumCPU() + 2)
	var over atomic.Bool
	done := make(chan bool)
	go func() {
		defer close(done)
		for n := 0; !over.Load(); n++ {
			_ = n * n
		}
	}()
	return func() { over.Store(true); <-done; runtime.GOMAXPROCS(was) }
}

// BenchmarkLine prints how much of the wire's time is used (%wire) and what a
// read costs in processor time and in waits of any thread (the runtime's own
// among them), slave at the same rate and 5 ms turnaround.
// early counts questions that came before t3.5 was over, late-µs is the
// slave's own lateness, which is counted against the line. On a machine that
// has other work to do %wire tells of that work; %wire-median, that of the
// read in the middle, tells of the line.
func BenchmarkLine(b *testing.B) {
	for _, baud := range []int{9600, 19200, 38400, 115200} {
		for _, registers := range []int{2, 20, 60, 125} {
			b.Run(fmt.Sprintf("%d/%d", baud, registers), func(b *testing.B) { benchLine(b, baud, registers, false) })
			b.Run(fmt.Sprintf("%d/%d/busy", baud, registers), func(b *testing.B) { benchLine(b, baud, registers, true) })
		}
	}
}

func benchLine(b *testing.B, baud, registers int, busy bool) {
	pace := slave.Pace{Baud: baud, Turnaround: 5 * time.Millisecond}
	path, wait := otherEnd(b, pace)
	l := New(model.Line{Name: "bus", Address: path, Baud: baud})
	q := model.ReadRequest{Unit: 2, Count: uint16(registers)}
	read := func(n int) {
		q.Address = uint16(n % 100)
		a, err := l.Read(context.Background(), q)
		if err != nil {
			b.Fatalf("read %d of %d: %v; the line by then: %+v", n, b.N, err, l.Health())
		}
		for i, w := range a.Words {
			if w != number(2, q.Address+uint16(i)) {
				b.Fatalf("read %d of %d: register %d holds %d", n, b.N, int(q.Address)+i, w)
			}
		}
	}
	read(0) // opens the line
	if busy {
		defer beside(b)()
	}
	b.ResetTimer()
	began, asleep := cpu()
	took := make([]time.Duration, b.N)
	for n := range b.N {
		at := time.Now()
		read(n)
		took[n] = time.Since(at)
	}
	b.StopTimer()
	ideal := pace.IdealTime(model.HoldingRegisters, registers).Seconds()
	slices.Sort(took)
	b.ReportMetric(100*ideal*float64(b.N)/b.Elapsed().Seconds(), "%wire")
	b.ReportMetric(100*ideal/took[b.N/2].Seconds(), "%wire-median")
	if !busy {
		used, waits := cpu()
		b.ReportMetric(float64((used-began).Microseconds())/1000/float64(b.N), "ms-cpu/read")
		b.ReportMetric(float64(waits-asleep)/float64(b.N), "waits/read")
	}
	b.ReportMetric(0, "ns/op")
	l.Close()
	e := wait()
	b.ReportMetric(float64(e.Early), "early")
	b.ReportMetric(float64(e.Late.Microseconds()), "late-µs")
}
