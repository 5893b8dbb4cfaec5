package slave

import (
	"os"
	"runtime"
	"time"

	"golang.org/x/sys/unix"

	"tickover/model"
)

// Exactness says how an exact slave kept its own time, and how the client
// kept t3.5.
type Exactness struct {
	Answers int
	Early   int           // questions that came before t3.5 was over
	Least   time.Duration // the shortest silence before a question
	Late    time.Duration // by how much the last byte of an answer was late, on average
}

// spin is how long before a byte's time the exact slave stops sleeping.
const spin = 120 * time.Microsecond

// ServeExact answers reads on a pseudo-terminal until it is closed, for
// measuring clients: on a thread of its own, with real-time priority where
// that is allowed, every byte at its own absolute time, the last 120 µs
// before it spent awake. It knows no faults and takes a whole core at high
// rates.
func ServeExact(master *os.File, bank Bank, pace Pace) (Exactness, error) {
	runtime.LockOSThread()
	defer runtime.UnlockOSThread()
	urgent()
	defer runtime.KeepAlive(master)
	fd := int(master.Fd())
	if err := unix.SetNonblock(fd, false); err != nil {
		return Exactness{}, err
	}
	e := Exactness{Least: time.Hour}
	var buf [256]byte
	var last time.Time
	var late time.Duration
	for {
		n, err := unix.Read(fd, buf[:])
		at := time.Now()
		switch {
		case err == unix.EIO && e.Answers == 0: // nobody has it open yet
			time.Sleep(time.Millisecond)
			continue
		case err != nil || n == 0:
			if e.Answers > 0 {
				e.Late = late / time.Duration(e.Answers)
			}
			return e, nil
		}
		request := buf[:n]
		if !whole(request) {
			continue
		}
		if !last.IsZero() {
			quiet := at.Sub(last)
			e.Least = min(e.Least, quiet)
			if quiet < pace.silence() {
				e.Early++
			}
		}
		good := frame(request[0], answer(bank, request[0], request[1:n-2], 0))
		start := at.Add(time.Duration(n)*pace.character() + pace.silence() + pace.Turnaround)
		for i := range good {
			due := start.Add(time.Duration(i+1) * pace.character())
			last = sleepTo(due)
			if _, err := unix.Write(fd, good[i:i+1]); err != nil {
				return e, err
			}
			if i == len(good)-1 {
				late += last.Sub(due)
			}
		}
		e.Answers++
	}
}

// urgent asks for real-time priority and fine timers; a system that refuses
// goes on as it is.
func urgent() {
	_ = unix.Prctl(unix.PR_SET_TIMERSLACK, 1, 0, 0, 0)
	_ = unix.SchedSetAttr(0, &unix.SchedAttr{Size: unix.SizeofSchedAttr, Policy: unix.SCHED_FIFO, Priority: 50}, 0)
}

// sleepTo returns at due, with the time it is then.
func sleepTo(due time.Time) time.Time {
	for {
		now := time.Now()
		left := due.Sub(now)
		if left <= 0 {
			return now
		}
		if left > spin {
			ts := unix.NsecToTimespec(int64(left - spin))
			_ = unix.Nanosleep(&ts, nil) // an early return only goes round again
		}
	}
}

// IdealTime is how long one read takes on the wire at best: request, the
// silence by which the unit knows its end, turnaround, answer, and the
// silence before the next request.
func (p Pace) IdealTime(t model.Table, count int) time.Duration {
	data := 2 * count
	if t.Bits() {
		data = (count + 7) / 8
	}
	return time.Duration(8+5+data)*p.character() + 2*p.silence() + p.Turnaround
}
