package store

import (
	"fmt"
	"iter"
	"math"
	"slices"
	"time"

	"tickover/model"
)

// minuteCheck holds a group's stored minutes against those worked out anew
// from its blocks. Both come in the order of time, so it keeps no more of
// either than a chunk of minutes and the blocks within it.
type minuteCheck struct {
	v      *verifying
	name   string
	next   func() (*minutes, error, bool)
	stop   func()
	ahead  *minutes // read, but later than what the blocks have come to
	end    model.Instant
	last   model.Instant // minute in which the block before ended
	stored map[minuteOf]*minutes
	worked map[minuteOf]*workedMinute
	holed  model.Instant // minute of which samples may be gone rightly
	runs   [3]faultRun
	// mend, when set, is given both sides of each minute in place of comparing.
	mend func(key minuteOf, stored *minutes, worked *workedMinute, hole bool)
}

// minuteOf names one minute under one set of columns.
type minuteOf struct {
	at     model.Instant
	schema *schema
}

// workedMinute is one minute of the blocks. Its mean is weighted as if all of a
// block had been sealed at once; the seals in between are not known, and each
// judges gaps by its own middle one and guesses the hold of its last row.
type workedMinute struct {
	figures *minutes
	weights []weights // by column
	partial bool      // other samples of it may be gone rightly
}

// faultRun is a fault that goes on for some minutes.
type faultRun struct {
	from, to model.Instant
	what     string // of the first
	n        int
}

// The kinds of faultRun.
const (
	minutesDiffer = iota
	minutesLack
	minutesAlone
)

func (v *verifying) checkMinutes(name string) *minuteCheck {
	c := &minuteCheck{v: v, name: name, stored: map[minuteOf]*minutes{}, worked: map[minuteOf]*workedMinute{}}
	r := &groupReader{store: v.store, name: name}
	c.next, c.stop = iter.Pull2(r.storedMinutes())
	return c
}

// block takes one block's rows. hole says that blocks before it may be
// missing for a reason that is told elsewhere or needs no telling.
func (c *minuteCheck) block(r *rows, hole bool) {
	c.settle(minuteBegin(r.instant(0)), hole)
	c.take(r)
}

// take works out the minutes of one block.
func (c *minuteCheck) take(r *rows) {
	least, most := holdBounds(r.at)
	held := holds(r.at)
	for i := range held { // the block as a whole may have a gap that no seal had
		held[i] = min(max(held[i], least[i]), most[i])
	}
	m := weighed(r, held)
	row := 0
	for i := range m.at {
		key := minuteOf{m.instant(i), m.schema}
		from := row
		for row < len(r.at) && floorDiv(r.at[row], int64(time.Minute)) == m.at[i] {
			row++
		}
		w := &workedMinute{figures: m.slice(i, i+1), partial: key.at == c.holed}
		w.weigh(r, from, row, least, most)
		if before := c.worked[key]; before != nil {
			before.join(w)
		} else {
			c.worked[key] = w
		}
	}
	c.last = m.instant(len(m.at) - 1)
}

// settle compares all minutes before one: no later block can have more of them.
func (c *minuteCheck) settle(before model.Instant, hole bool) {
	c.read(before)
	if hole {
		for key, w := range c.worked {
			w.partial = w.partial || key.at == c.last
		}
	}
	for _, at := range c.minutesBefore(before) {
		c.compare(at, hole)
	}
	if hole {
		c.holed = before
	}
}

// read takes in the stored minutes up to an instant.
func (c *minuteCheck) read(before model.Instant) {
	for c.v.ctx.Err() == nil {
		if c.ahead == nil {
			m, err, ok := c.next()
			if !ok {
				return
			}
			c.v.step(minutesWeight)
			if err != nil {
				c.v.found.problem("minutes of "+c.name, err)
				continue
			}
			c.inOrder(m)
			c.ahead = m
		}
		if !c.ahead.instant(0).Before(before) {
			return
		}
		for i := range c.ahead.at {
			key, one := minuteOf{c.ahead.instant(i), c.ahead.schema}, c.ahead.slice(i, i+1)
			if parts := c.stored[key]; parts != nil {
				parts.join(one)
			} else {
				c.stored[key] = one
			}
		}
		c.ahead = nil
	}
}

// inOrder wants minutes in order, and of a boot that is known.
func (c *minuteCheck) inOrder(m *minutes) {
	where := fmt.Sprintf("minutes of %s from %s", c.name, m.instant(0))
	if m.instant(0).Before(c.end) {
		c.v.found.problem(where, "overlap the minutes before them")
	}
	if !c.v.knowsBoot(m.boot) {
		c.v.found.problem(where, "their boot is not in the table")
	}
	c.end = m.instant(len(m.at) - 1)
	c.v.found.Minutes += len(m.at)
}

// minutesBefore lists what is held of both sides before an instant, in order.
func (c *minuteCheck) minutesBefore(before model.Instant) []minuteOf {
	var list []minuteOf
	for key := range c.stored {
		if key.at.Before(before) {
			list = append(list, key)
		}
	}
	for key := range c.worked {
		if c.stored[key] == nil && key.at.Before(before) {
			list = append(list, key)
		}
	}
	slices.SortStableFunc(list, func(a, b minuteOf) int { return a.at.Compare(b.at) })
	return list
}

// compare settles one minute. A minute without samples is right where blocks
// were thinned out; hole says that some may have been.
func (c *minuteCheck) compare(key minuteOf, hole bool) {
	stored, worked := c.stored[key], c.worked[key]
	delete(c.stored, key)
	delete(c.worked, key)
	switch {
	case c.mend != nil:
		c.mend(key, stored, worked, hole)
	case stored == nil:
		c.fault(minutesLack, key.at, "not stored, though the samples are")
	case worked == nil && !hole && key.at != c.holed:
		c.fault(minutesAlone, key.at, "their samples are missing and were not thinned out")
	case worked != nil:
		if what := worked.differs(stored); what != "" {
			c.fault(minutesDiffer, key.at, what)
		}
	}
}

// fault notes a fault; minutes in a row are told as one.
func (c *minuteCheck) fault(kind int, at model.Instant, what string) {
	run := &c.runs[kind]
	if run.n > 0 && (at != run.to.Add(time.Minute) && at != run.to || kind == minutesDiffer && run.what != what) {
		c.tell(kind)
	}
	if run.n == 0 {
		*run = faultRun{from: at, what: what}
	}
	run.to = at
	run.n++
}

func (c *minuteCheck) tell(kind int) {
	run := c.runs[kind]
	c.runs[kind] = faultRun{}
	switch {
	case run.n == 0:
	case run.from == run.to:
		c.v.found.problem(fmt.Sprintf("minute of %s at %s", c.name, run.from), run.what)
	default:
		c.v.found.problem(fmt.Sprintf("minutes of %s from %s to %s", c.name, run.from, run.to), run.what)
	}
}

// finish compares what is left before an instant.
func (c *minuteCheck) finish(before model.Instant, hole bool) {
	c.settle(before, hole)
	c.stop()
	for kind := range c.runs {
		c.tell(kind)
	}
}

// weigh sums how long the good samples of rows from to to stood.
func (w *workedMinute) weigh(r *rows, from, to int, least, most []int64) {
	w.weights = make([]weights, len(r.values))
	for col := range r.values {
		sum, n := &w.weights[col], 0
		rounding := float64(50 * time.Millisecond)
		for row := from; row < to; row++ {
			if !r.counts(col, row, r.values[col][row]) {
				continue
			}
			n++
			sum.least += float64(least[row])
			sum.most += float64(most[row])
			sum.less += float64(max(least[row]-int64(time.Second), 0))
			sum.more += float64(max(int64(time.Second)-most[row], 0))
			if least[row] < int64(50*time.Millisecond) {
				rounding = float64(100 * time.Millisecond) // a seal holds a tenth at least
			}
		}
		// A seal of one row holds a whole second, so only others are rounded.
		sum.rounding = rounding * float64(min(n, (to-from)/2+1))
	}
}

func (w *workedMinute) join(later *workedMinute) {
	w.figures.join(later.figures)
	w.partial = w.partial || later.partial
	for col := range w.weights {
		w.weights[col].add(later.weights[col])
	}
}

// differs says where a stored minute is not what the samples give.
func (w *workedMinute) differs(stored *minutes) string {
	for col, p := range stored.schema.points {
		is, should := &stored.cols[col], &w.figures.cols[col]
		none, more := should.Count[0] == 0, is.Count[0] >= should.Count[0]
		switch {
		case w.partial && more && (none || is.Min[0] <= should.Min[0] && is.Max[0] >= should.Max[0]):
		case w.partial || is.Count[0] != should.Count[0]:
			return fmt.Sprintf("%s: of %d samples, the blocks hold %d", p, is.Count[0], should.Count[0])
		case none:
		case !sameBits(is.Min, should.Min) || !sameBits(is.Max, should.Max):
			return fmt.Sprintf("%s: from %v to %v, the samples go from %v to %v", p, is.Min[0], is.Max[0], should.Min[0], should.Max[0])
		case !(math.Abs(is.Mean[0]-should.Mean[0]) <= w.slack(stored, col)):
			return fmt.Sprintf("%s: mean %v, the samples give %v", p, is.Mean[0], should.Mean[0])
		}
	}
	return ""
}

// slack is by how much a mean may differ: by rounding to a tenth of a count at
// each seal, and by what is open of the weights.
func (w *workedMinute) slack(stored *minutes, col int) float64 {
	c, s := &w.figures.cols[col], stored.schema.scales[col]
	span := c.Max[0] - c.Min[0]
	open := w.weights[col].open(float64(stored.cols[col].Covered[0]) * float64(100*time.Millisecond))
	slack := span*open + 1e-6*max(math.Abs(c.Min[0]), math.Abs(c.Max[0])) + 1e-38
	form, param, ok := s.minuteForm(c)
	if !ok || form != formCounts {
		slack += span / 20 // part of the minute may have been rounded to coarser counts
	}
	if !ok {
		return slack
	}
	tenth := make([]float64, 2)
	form, param = finer(form, param)
	if s.values(form, param, []int64{0, 1}, tenth) == nil {
		slack += 3 * math.Abs(tenth[1]-tenth[0])
	}
	return slack
}

// endOfTime is after every instant.
var endOfTime = model.Instant{Boot: math.MaxUint32}

// minuteBegin is the instant at which an instant's minute began.
func minuteBegin(at model.Instant) model.Instant {
	at.Offset = time.Duration(floorDiv(int64(at.Offset), int64(time.Minute))) * time.Minute
	return at
}
