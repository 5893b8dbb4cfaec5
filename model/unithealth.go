package model

import "time"

// UnitHealth counts what one unit of a line did since the daemon started,
// after the diagnostic counters of the serial guide v1.02 and the application
// protocol v1.1b3, clause 6.8.
type UnitHealth struct {
	Unit uint8
	// Asked counts questions put on the wire, those asked again and fences
	// among them.
	Asked     uint64
	Messages  uint64 // answers that passed every check, exceptions among them
	Corrupt   uint64
	NoAnswers uint64
	Foreign   uint64
	Retries   uint64
	Late      uint64 // answers that came after their question was given up
	Fences    uint64 // short reads put in so that a late answer is not mistaken
	Echoes    uint64
	Ghosts    uint64 // good answers with stray bytes beside them
	// Exceptions counts answers by exception code.
	Exceptions map[byte]uint64
	Latency    Latency
	Timeout    time.Duration // response timeout in force
	// Turnaround is how soon the unit begins its answers as planning counts it:
	// the mean of those measured, or Assumed while there are too few.
	Turnaround time.Duration
	Assumed    bool
	Planned    float64 // share of the line's time that its rounds take by that
}

// LatencyBounds are the upper ends of the buckets of Latency; a last bucket
// takes what is slower.
var LatencyBounds = [...]time.Duration{
	time.Millisecond, 2 * time.Millisecond, 5 * time.Millisecond, 10 * time.Millisecond, 20 * time.Millisecond,
	50 * time.Millisecond, 100 * time.Millisecond, 200 * time.Millisecond, 500 * time.Millisecond, time.Second,
}

// Latency is a histogram of how long a unit took to begin its answers, from
// the end of the request to the answer's first bytes.
type Latency struct {
	Counts [len(LatencyBounds) + 1]uint64 // one for each bucket, not added up
	Sum    time.Duration
	Max    time.Duration
}

// Add counts one answer.
func (l *Latency) Add(d time.Duration) {
	i := 0
	for i < len(LatencyBounds) && d > LatencyBounds[i] {
		i++
	}
	l.Counts[i]++
	l.Sum += d
	l.Max = max(l.Max, d)
}

// Count returns how many answers were counted.
func (l *Latency) Count() uint64 {
	var n uint64
	for _, c := range l.Counts {
		n += c
	}
	return n
}

// Quantile returns the upper end of the bucket that holds the share q of the
// answers, the slowest answer for the last bucket; 0 when there are none.
func (l *Latency) Quantile(q float64) time.Duration {
	total, sum := l.Count(), uint64(0)
	for i, c := range l.Counts {
		sum += c
		if c > 0 && float64(sum) >= q*float64(total) {
			if i < len(LatencyBounds) {
				return min(LatencyBounds[i], l.Max)
			}
			return l.Max
		}
	}
	return 0
}

// Identity is what a unit says of itself when asked by function 2B/0E (read
// device identification, application protocol v1.1b3, clause 6.21, basic).
type Identity struct {
	Vendor, Product, Revision string
}
