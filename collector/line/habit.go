package line

import "time"

const (
	// learnFrom is how many answers are heard before a unit's timeout is cut.
	learnFrom = 32
	// window is over how many answers the slowest one is remembered, at least.
	window = 256
	// slack is how many times the slowest answer a unit is given.
	slack = 4
	// leastTimeout is kept however fast a unit is: drivers and a busy card hold
	// bytes back for tens of milliseconds.
	leastTimeout = 100 * time.Millisecond
)

// habit is how long a unit takes to begin its answers. The zero value knows
// nothing.
type habit struct {
	answers        int
	misses         int           // in a row
	worst, earlier time.Duration // of this window and of the one before
}

// heard takes note of an answer, a late one included.
func (h *habit) heard(d time.Duration) {
	h.misses = 0
	h.worst = max(h.worst, d)
	if h.answers++; h.answers%window == 0 {
		h.earlier, h.worst = h.worst, 0
	}
}

// missed takes note of a try without an answer. After two in a row what was
// learned is in doubt, and the next ones wait as long as the configuration
// allows.
func (h *habit) missed() {
	if h.misses++; h.misses > 1 {
		h.answers = 0
	}
}

// timeout is how long to wait for the first byte, at most limit.
func (h *habit) timeout(limit time.Duration) time.Duration {
	if h.answers < learnFrom {
		return limit
	}
	return min(limit, max(leastTimeout, slack*h.slowest()))
}

// slowest is the longest it took lately.
func (h *habit) slowest() time.Duration { return max(h.worst, h.earlier) }
