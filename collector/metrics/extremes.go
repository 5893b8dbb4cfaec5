package metrics

import (
	"sync"
	"time"

	"tickover/model"
)

const (
	// leastWindow is how far back lowest and highest reach at least, so that
	// several servers that scrape at the usual intervals each see every dip.
	leastWindow = time.Minute
	// mostWindow bounds it for a server that scrapes more rarely.
	mostWindow = 5 * time.Minute
	// slot is what the window is made of.
	slot = 5 * time.Second
)

// extremes remembers the lowest and highest good sample of each fast point. The
// carrier adds, scrapes read.
type extremes struct {
	mu      sync.Mutex
	points  map[model.PointID]*band
	scraped model.Instant
}

// band is one point's slots, oldest first.
type band struct{ slots []span }

type span struct {
	from    model.Instant
	to      time.Duration // offset of the last sample
	low, hi float64
}

func newExtremes(points map[model.PointID]model.Point) *extremes {
	e := &extremes{points: map[model.PointID]*band{}}
	for id, p := range points {
		if p.Fast {
			e.points[id] = &band{}
		}
	}
	return e
}

// add takes the samples of a scan.
func (e *extremes) add(scan *model.Scan) {
	e.mu.Lock()
	defer e.mu.Unlock()
	for _, s := range scan.Samples {
		if b := e.points[s.Point]; b != nil && s.Quality == model.Good {
			b.add(scan.At.Add(s.Lag), s.Value)
		}
	}
}

func (b *band) add(at model.Instant, v float64) {
	if n := len(b.slots); n > 0 {
		last := &b.slots[n-1]
		if age, same := at.Sub(last.from); same && age < slot {
			last.low, last.hi, last.to = min(last.low, v), max(last.hi, v), max(last.to, at.Offset)
			return
		}
	}
	if len(b.slots) >= int(mostWindow/slot)+1 {
		b.slots = append(b.slots[:0], b.slots[1:]...)
	}
	b.slots = append(b.slots, span{at, at.Offset, v, v})
}

// window begins a scrape: it returns how far back to look, to the scrape
// before and a minute at least.
func (e *extremes) window(now model.Instant) time.Duration {
	e.mu.Lock()
	defer e.mu.Unlock()
	back := leastWindow
	if gap, same := now.Sub(e.scraped); same {
		back = min(max(gap, leastWindow), mostWindow)
	}
	e.scraped = now
	return back
}

// of returns a point's lowest and highest within the time back from now; false
// when there was no good sample.
func (e *extremes) of(id model.PointID, now model.Instant, back time.Duration) (low, high float64, ok bool) {
	e.mu.Lock()
	defer e.mu.Unlock()
	b := e.points[id]
	if b == nil {
		return 0, 0, false
	}
	for _, s := range b.slots {
		if s.from.Boot != now.Boot || now.Offset-s.to > back {
			continue
		}
		if !ok {
			low, high, ok = s.low, s.hi, true
		}
		low, high = min(low, s.low), max(high, s.hi)
	}
	return low, high, ok
}
