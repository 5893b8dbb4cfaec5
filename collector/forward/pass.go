package forward

import (
	"cmp"
	"context"
	"slices"
	"time"

	"tickover/model"
)

// greetEvery is how old the comparison of the two clocks may be.
const greetEvery = 10 * time.Minute

// complainEvery is how often the log tells of readings that are not taken.
const complainEvery = time.Hour

// pass sends everything that waits. It returns why it had to stop before.
func (w *Writer) pass(ctx context.Context) error {
	now, source := w.wall()
	if !w.vouched(source) {
		return errNoTime
	}
	if err := w.greet(ctx); err != nil {
		return err
	}
	if err := w.deliver(ctx); err != nil {
		return err
	}
	w.lessons.review()
	span := w.span(now)
	w.chronicle.open()
	defer w.chronicle.close()
	for scan, err := range w.parts.Source.Scans(model.Query{From: w.begin(span)}) {
		if ctx.Err() != nil {
			return ctx.Err()
		}
		if err != nil {
			w.count(unread, 1)
			continue
		}
		if w.cursor.done(scan) {
			continue
		}
		if !w.add(span, scan) {
			break
		}
		if len(w.batch) >= w.parts.To.PerRequest {
			if err := w.flush(ctx, now); err != nil {
				return err
			}
		}
	}
	if err := w.flush(ctx, now); err != nil {
		return err
	}
	if w.ahead > leeway {
		return clockTrouble(w.ahead)
	}
	w.caughtUp()
	return nil
}

// caughtUp is the end of a pass that sent all there is.
func (w *Writer) caughtUp() {
	now := w.parts.Now()
	w.cursor.lift(model.Instant{Boot: now.Boot, Offset: max(now.Offset-straggling, 0)})
	w.keep(false)
	w.mu.Lock()
	defer w.mu.Unlock()
	w.health.Lag = 0
}

// greet compares the clocks when that was long ago. A server without our
// address, or that does not let us in, is found out here already.
func (w *Writer) greet(ctx context.Context) error {
	if time.Since(w.greeted) < greetEvery {
		return nil
	}
	a, err := w.client.greet(ctx)
	if err != nil {
		return err
	}
	w.compare(a)
	if a.status/100 == 3 || a.status == 401 || a.status == 403 || a.status == 404 {
		return a.trouble()
	}
	return nil
}

// span is the time of day that samples may be of, in ms since 1970, and the
// boots dated.
type span struct {
	from, to int64
	clock    model.Clock
	boots    map[uint32]dated
}

// dated is one boot's clock.
type dated struct {
	offset time.Duration // of wall time from the boot's clock, since 1970
	known  bool
}

func (w *Writer) span(now time.Time) span {
	limit := now.Add(leeway)
	if w.ahead > 0 {
		limit = limit.Add(-w.ahead)
	}
	s := span{now.Add(-w.parts.To.Oldest).UnixMilli(), limit.UnixMilli(), w.parts.Source.Clock(), map[uint32]dated{}}
	for _, b := range s.clock.Boots {
		wall, source := s.clock.Wall(model.Instant{Boot: b.Number})
		s.boots[b.Number] = dated{time.Duration(wall.UnixNano()), w.vouched(source)}
	}
	return s
}

// begin is where to read from: behind the cursor, and not before the oldest
// reading that may be sent.
func (w *Writer) begin(s span) model.Instant {
	from := w.cursor.from()
	for _, b := range s.clock.Boots {
		d := s.boots[b.Number]
		oldest := time.Duration(s.from)*time.Millisecond - d.offset
		switch {
		case b.Number < from.Boot:
			continue
		case !d.known:
			return from // its readings are counted
		case oldest > b.Last:
			continue // all of this boot is too old
		}
		if at := (model.Instant{Boot: b.Number, Offset: max(oldest, b.First)}); from.Before(at) {
			return at
		}
		return from
	}
	return from
}

// add puts a scan's samples into the batch. It reports false when this scan
// and what follows must wait for a better clock.
func (w *Writer) add(s span, scan *model.Scan) bool {
	d := s.boots[scan.At.Boot]
	t := int64((scan.At.Offset + d.offset) / time.Millisecond)
	past := scan.At.Boot != w.parts.Now().Boot
	switch {
	case !d.known && past:
		w.count(undated, len(scan.Samples))
	case t > s.to && past:
		w.count(future, len(scan.Samples))
	case !d.known || t > s.to:
		return false
	case t < s.from:
		w.count(tooOld, len(scan.Samples))
	default:
		w.append(t, scan.Samples)
	}
	w.addStates(s, scan.At)
	w.reached[scan.Group] = scan.At
	return true
}

// append adds what is good, and the mark of an end for what was good before.
func (w *Writer) append(t int64, samples []model.Sample) {
	for i := range samples {
		series, ok := w.table.of(samples[i].Point)
		if !ok {
			continue
		}
		good := samples[i].Quality == model.Good
		switch {
		case good:
			w.batch = append(w.batch, sample{series, t, samples[i].Value * w.table.scale[series]})
		case w.live[series]:
			w.batch = append(w.batch, sample{series, t, staleMark})
		}
		w.live[series] = good
	}
}

// flush brings the batch to the server and moves the cursor.
func (w *Writer) flush(ctx context.Context, now time.Time) error {
	if len(w.batch) > 0 {
		byTime := func(a, b sample) int { return cmp.Compare(a.t, b.t) }
		if !slices.IsSortedFunc(w.batch, byTime) {
			slices.SortStableFunc(w.batch, byTime)
		}
		w.late(now.Sub(time.UnixMilli(w.batch[0].t)))
		w.under = newDelivery(w.batch, w.lessons, w.post)
	}
	if err := w.deliver(ctx); err != nil {
		return err
	}
	w.moveOn()
	return nil
}

// deliver goes on with a batch that is under way, if there is one.
func (w *Writer) deliver(ctx context.Context) error {
	d := w.under
	if d == nil {
		return nil
	}
	before := d.sent
	err := d.run(ctx)
	w.mu.Lock()
	w.health.Sent += uint64(d.sent - before)
	w.mu.Unlock()
	if err != nil {
		return err
	}
	lost := 0
	for why, n := range d.dropped {
		w.count(why, n)
		lost += n
	}
	w.complain(lost, d.trouble)
	w.under = nil
	w.moveOn()
	return nil
}

// complain logs what the server does not take, once an hour: a series that it
// never takes would fill the log. trouble is nil when no new case was met.
func (w *Writer) complain(lost int, trouble error) {
	w.refusals += lost
	if trouble != nil {
		w.refusal = trouble
	}
	if w.refusals == 0 || time.Since(w.complained) < complainEvery {
		return
	}
	w.parts.Log.Warn("the server took not all readings; the others arrived", "refused", w.refusals, "err", w.refusal, "hint", model.HintOf(w.refusal))
	w.refusals, w.complained = 0, time.Now()
}

// moveOn moves the cursor behind what was sent.
func (w *Writer) moveOn() {
	w.cursor.move(w.reached)
	clear(w.reached)
	w.batch = w.batch[:0]
	w.keep(false)
}

func (w *Writer) late(by time.Duration) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.health.Lag = by
}

// count counts samples that were dropped.
func (w *Writer) count(why reason, n int) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.health.Dropped[string(why)] += uint64(n)
}
