package forward

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"time"
)

// delivery brings one batch to the server. Where the server refuses a request,
// the one sample in it that it refuses is searched by halves; that one is
// dropped and counted, all others arrive. A delivery that was interrupted goes
// on where it stopped.
type delivery struct {
	post    func(context.Context, []sample) (answer, error)
	known   *lessons
	left    []sample // not yet delivered
	group   int      // so many at the front go next
	bad     bool     // the server refuses something among them
	aging   bool     // because it is too old
	fresh   bool     // and none of them was tried on its own yet
	sent    int
	dropped map[reason]int
	trouble error // what the server said of the samples dropped last

	failures  int      // server failures in a row
	searching bool     // failures are taken for the samples' fault
	aside     []sample // refused without a reason before anything passed
}

// mostAside is how many samples the server may refuse one by one, without a
// reason that we know and before it takes any, until the fault is taken for
// its own after all.
const mostAside = 32

// patience is how often a request may meet a failing server before its samples
// are suspected.
const patience = 5

// newDelivery takes the batch over, which is in order of time.
func newDelivery(batch []sample, known *lessons, post func(context.Context, []sample) (answer, error)) *delivery {
	return &delivery{post: post, known: known, left: batch, dropped: map[reason]int{}}
}

// run delivers until nothing is left, or returns why it must be called again
// later.
func (d *delivery) run(ctx context.Context) error {
	for {
		if !d.bad {
			d.group = d.gather(d.known.size(len(d.left)))
		}
		if d.group == 0 {
			return d.end()
		}
		from, to := d.half()
		a, err := d.post(ctx, d.left[from:to])
		if err != nil {
			return err
		}
		if err := d.take(from, to, a); err != nil {
			return err
		}
	}
}

// gather brings the next samples that may be welcome to the front, n of them
// at most, and counts those that the server is known to refuse.
func (d *delivery) gather(n int) int {
	if d.known.none() {
		return min(n, len(d.left))
	}
	kept, looked := 0, 0
	for ; looked < len(d.left) && kept < n; looked++ {
		if why := d.known.foretell(d.left[looked]); why != "" {
			d.dropped[why]++
			continue
		}
		d.left[kept] = d.left[looked]
		kept++
	}
	copy(d.left[looked-kept:looked], d.left[:kept])
	d.left = d.left[looked-kept:]
	return kept
}

// half is what to try of the group: all of it while nothing speaks against it,
// then the older half, as a server without a window for late samples wants
// them; save when age is the fault: there the newest sample that is too old
// settles all that are older, and mostly it is the newest of the group.
func (d *delivery) half() (from, to int) {
	switch {
	case !d.bad || d.group == 1:
		return 0, d.group
	case d.aging && d.fresh:
		return d.group - 1, d.group
	case d.aging:
		return d.group / 2, d.group
	}
	return 0, d.group / 2
}

// take acts on the server's answer to a part of the group.
func (d *delivery) take(from, to int, a answer) error {
	fate, why := a.judge()
	if fate == suspect && d.searching {
		fate = rejected
	}
	switch fate {
	case accepted:
		d.passed(from, to)
		return nil
	case later:
		return &wait{a.trouble(), a.after}
	case suspect:
		d.failures++
		d.searching = d.failures >= patience
		return &wait{a.trouble(), a.after}
	}
	d.fresh = why == tooOld && !d.bad
	d.aging = why == tooOld
	switch {
	case from == 0:
		d.group = to
	case d.aging: // what is older than something too old needs no trial
		d.dropped[tooOld] += from
		d.left, d.group = d.left[from:], to-from
	}
	d.bad = true
	if d.group == 1 {
		return d.refuse(why, a)
	}
	return nil
}

// passed takes out what the server took. The fault lies in what is left of a
// bad group.
func (d *delivery) passed(from, to int) {
	n := to - from
	d.sent += n
	d.failures = 0
	d.known.tried(n, 0)
	d.bad, d.fresh = n < d.group, false
	d.group -= n
	if from == 0 {
		d.left = d.left[to:]
	} else {
		d.left = slices.Delete(d.left, from, to)
	}
}

// refuse drops the sample at the front, which stands alone. While nothing at
// all passes it may be the server, or what lies before it, that is ill: then
// the sample is put aside.
func (d *delivery) refuse(why reason, a answer) error {
	s := d.left[0]
	d.left, d.bad = d.left[1:], false
	d.trouble = a.trouble()
	d.known.refused(s, why)
	if why == refused && d.sent == 0 {
		d.aside = append(d.aside, s)
		if len(d.aside) > mostAside {
			return d.giveUp()
		}
		return nil
	}
	d.dropped[why]++
	return nil
}

// end drops what was put aside when the fault was not the server's.
func (d *delivery) end() error {
	ill := d.searching || !d.known.proven
	switch {
	case len(d.aside) == 0:
		return nil
	case d.sent == 0 && ill:
		return d.giveUp()
	}
	d.dropped[refused] += len(d.aside)
	d.aside = nil
	return nil
}

// giveUp makes one batch of what is left and waits: the server is ill.
func (d *delivery) giveUp() error {
	d.left = append(d.aside, d.left...)
	slices.SortStableFunc(d.left, func(a, b sample) int { return cmp.Compare(a.t, b.t) })
	d.aside, d.searching, d.failures = nil, false, 0
	d.known.forget()
	return &wait{d.trouble, 0}
}

// wait says that the server may be asked again, and when it wants to be.
type wait struct {
	err   error
	after time.Duration
}

func (w *wait) Error() string { return fmt.Sprint(w.err) }
func (w *wait) Unwrap() error { return w.err }
