package alarms

import (
	"time"

	"tickover/model"
)

const (
	// likeBands is how many tenths of rated load are distinguished, up to 150 %.
	likeBands = 15
	// likeSettled is how long a load must have lasted before its temperature
	// counts, and likeLearned when enough was seen of it.
	likeSettled = 9 * time.Minute
	likeLearned = 10 * time.Minute
	// likeEdge keeps a load at the edge of two bands in the one it is in.
	likeEdge = 0.02
)

// notYetLearned says why nothing is judged.
const notYetLearned = "not determined yet: learning takes 10 min at each load"

// learned is what a point showed first in each band of another point, such as
// the exhaust temperature at each tenth of rated load.
type learned struct {
	band  int
	since model.Instant // in the band; zero means in none
	sum   float64
	n     int
	known [likeBands]bool
	value [likeBands]float64
}

// forget leaves the band, not what was learned.
func (l *learned) forget() { l.since = model.Instant{} }

// see takes a value at a load, and returns what was learned of that load.
func (l *learned) see(at model.Instant, load, v float64) (learnt float64, ok bool) {
	low, high := float64(l.band)/10-likeEdge, float64(l.band+1)/10+likeEdge
	if l.since.IsZero() || load < low && l.band > 0 || load > high {
		l.band = min(max(int(load*10), 0), likeBands-1)
		l.since, l.sum, l.n = at, 0, 0
	}
	in := elapsed(l.since, at)
	if !l.known[l.band] && in >= likeSettled {
		l.sum, l.n = l.sum+v, l.n+1
		if in >= likeLearned {
			l.known[l.band], l.value[l.band] = true, l.sum/float64(l.n)
		}
	}
	return l.value[l.band], l.known[l.band]
}
