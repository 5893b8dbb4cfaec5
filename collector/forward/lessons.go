package forward

import (
	"math"
	"time"
)

// lessons is what a server has taught us not to try: they make the next
// delivery cheap. They are forgotten from time to time, as somebody may have
// changed the server's settings meanwhile.
type lessons struct {
	learnt    time.Time     // the first of them; zero while there are none
	oldest    int64         // samples of this time and older are too old
	behind    map[int]int64 // by series: samples of this time and older are out of order
	unwelcome map[int]bool  // series that the server takes nothing of
	proven    bool          // the server has taken samples

	// How many samples were refused that no lesson could foretell, of how many
	// tried; older trials count less.
	scattered, trials float64
}

const (
	lessonsHold = 10 * time.Minute
	// trialsKept is after how many trials the earlier ones count half.
	trialsKept = 20000
)

func newLessons() *lessons {
	l := &lessons{}
	l.forget()
	return l
}

// forget what was learnt of samples and series.
func (l *lessons) forget() {
	l.learnt, l.oldest, l.behind, l.unwelcome = time.Time{}, math.MinInt64, map[int]int64{}, map[int]bool{}
	l.scattered, l.trials = 0, 0
}

// review forgets lessons that are old.
func (l *lessons) review() {
	if !l.none() && time.Since(l.learnt) > lessonsHold {
		l.forget()
	}
}

func (l *lessons) none() bool { return l.learnt.IsZero() }

// tried notes n samples that were sent, some of which the server refused for
// themselves.
func (l *lessons) tried(n, refused int) {
	l.proven = l.proven || refused < n
	l.trials += float64(n)
	l.scattered += float64(refused)
	if l.trials > trialsKept {
		l.trials, l.scattered = l.trials/2, l.scattered/2
	}
}

// refused learns from a sample that the server refused when it stood alone.
func (l *lessons) refused(s sample, why reason) {
	if l.none() {
		l.learnt = time.Now()
	}
	switch why {
	case tooOld: // one limit for the whole server
		l.oldest = max(l.oldest, s.t)
		return
	case outOfOrder:
		l.behind[s.series] = max(l.behind[s.series], s.t)
		return
	case badLabels:
		l.unwelcome[s.series] = true
	}
	l.tried(1, 1)
}

// foretell is why the server would refuse a sample; empty when it may take it.
func (l *lessons) foretell(s sample) reason {
	behind, known := l.behind[s.series]
	switch {
	case s.t <= l.oldest:
		return tooOld
	case known && s.t <= behind:
		return outOfOrder
	case l.unwelcome[s.series]:
		return badLabels
	}
	return ""
}

// size is how many of n samples to send together. With samples refused at
// random a request is best as likely to pass as not, which ln 2 of a refused
// sample is (binary splitting, Hwang 1972; from memory).
func (l *lessons) size(n int) int {
	best := math.Ln2 * l.trials
	if best >= float64(n)*l.scattered { // in this form even when hardly any is refused
		return n
	}
	return max(1, int(best/l.scattered))
}
