package forward

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"
	"time"
)

// delivery brings one batch to the server. What the server refuses is halved
// until the samples that it refuses stand alone; those are dropped and counted,
// all others arrive. A delivery that was interrupted goes
// on where it stopped.
type delivery struct {
	post    func(context.Context, []sample) (answer, error)
	parts   [][]sample // not yet delivered, the next one last
	sent    int
	dropped map[reason]int
	trouble error // what the server said of the samples dropped last

	oldest    int64         // samples of this time and older are too old
	behind    map[int]int64 // by series: samples of this time and older are out of order
	unwelcome map[int]bool  // series that the server takes nothing of
	failures  int           // server failures in a row
	searching bool          // failures are taken for the samples' fault
	aside     []sample      // that the server failed at, while searching, before anything passed
}

// mostAside is how many samples the server may fail at one by one before the
// fault is taken for its own after all.
const mostAside = 32

// patience is how often a request may meet a failing server before its samples
// are suspected.
const patience = 5

func newDelivery(batch []sample, post func(context.Context, []sample) (answer, error)) *delivery {
	d := &delivery{post: post, dropped: map[reason]int{}, oldest: math.MinInt64, behind: map[int]int64{}, unwelcome: map[int]bool{}}
	d.push(batch)
	return d
}

func (d *delivery) push(part []sample) {
	if len(part) > 0 {
		d.parts = append(d.parts, part)
	}
}

// run delivers until nothing is left, or returns why it must be called again
// later.
func (d *delivery) run(ctx context.Context) error {
	for len(d.parts) > 0 {
		part := d.hopeful(d.parts[len(d.parts)-1])
		d.parts = d.parts[:len(d.parts)-1]
		if len(part) == 0 {
			continue
		}
		a, err := d.post(ctx, part)
		if err != nil {
			d.push(part)
			return err
		}
		if err := d.take(part, a); err != nil {
			return err
		}
	}
	if len(d.aside) > 0 && d.sent == 0 {
		return d.giveUp()
	}
	for _, s := range d.aside {
		d.drop(s, refused)
	}
	d.aside = nil
	return nil
}

// take acts on the server's answer to a part.
func (d *delivery) take(part []sample, a answer) error {
	fate, why := a.judge()
	if fate == suspect && d.searching {
		fate = rejected
	}
	switch {
	case fate == accepted:
		d.sent += len(part)
		d.failures = 0
		return nil
	case fate == later:
		d.push(part)
		return &wait{a.trouble(), a.after}
	case fate == suspect:
		d.push(part)
		d.failures++
		d.searching = d.failures >= patience
		return &wait{a.trouble(), a.after}
	case len(part) > 1:
		d.halve(part, why)
		return nil
	}
	return d.refuse(part, why, a)
}

// halve parts samples. The older half goes first, as a server without a window
// for late samples wants them, save when age is the fault: there the newest
// sample that is too old settles all that are older.
func (d *delivery) halve(part []sample, why reason) {
	half := len(part) / 2
	first, second := part[:half], part[half:]
	if why == tooOld {
		first, second = second, first
	}
	d.push(second)
	d.push(first)
}

// refuse drops a sample that stands alone. While nothing at all passes it may
// be the server that is ill: then the sample is put aside.
func (d *delivery) refuse(part []sample, why reason, a answer) error {
	d.trouble = a.trouble()
	if d.searching && d.sent == 0 && a.status/100 == 5 && why == refused {
		d.aside = append(d.aside, part[0])
		if len(d.aside) > mostAside {
			return d.giveUp()
		}
		return nil
	}
	d.drop(part[0], why)
	return nil
}

// giveUp makes one batch of what is left and waits: the server is ill.
func (d *delivery) giveUp() error {
	whole := d.aside
	for _, p := range d.parts {
		whole = append(whole, p...)
	}
	slices.SortStableFunc(whole, func(a, b sample) int { return cmp.Compare(a.t, b.t) })
	d.parts, d.aside, d.searching, d.failures = nil, nil, false, 0
	d.push(whole)
	return &wait{d.trouble, 0}
}

// drop counts a sample as dropped and learns what else need not be tried.
func (d *delivery) drop(s sample, why reason) {
	d.dropped[why]++
	switch why {
	case tooOld: // one limit for the whole server
		d.oldest = max(d.oldest, s.t)
	case outOfOrder:
		d.behind[s.series] = max(d.behind[s.series], s.t)
	case badLabels:
		d.unwelcome[s.series] = true
	}
}

// hopeful leaves out, and counts, what the server is known to refuse.
func (d *delivery) hopeful(part []sample) []sample {
	if len(d.dropped) == 0 {
		return part
	}
	left := make([]sample, 0, len(part))
	for _, s := range part {
		behind, known := d.behind[s.series]
		switch {
		case s.t <= d.oldest:
			d.dropped[tooOld]++
		case known && s.t <= behind:
			d.dropped[outOfOrder]++
		case d.unwelcome[s.series]:
			d.dropped[badLabels]++
		default:
			left = append(left, s)
		}
	}
	return left
}

// wait says that the server may be asked again, and when it wants to be.
type wait struct {
	err   error
	after time.Duration
}

func (w *wait) Error() string { return fmt.Sprint(w.err) }
func (w *wait) Unwrap() error { return w.err }
