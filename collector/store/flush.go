package store

import (
	"cmp"
	"errors"
	"slices"

	"tickover/model"
)

// flushRing writes what is only in memory to the ring. Callers hold writing.
func (s *Store) flushRing() error { return s.flush(unkept) }

func (s *Store) flush(p part) error {
	if s.home != nil {
		return s.home.why
	}
	if err := s.ring.settle(); err != nil {
		return s.fail("ring", err)
	}
	h := s.collect(p)
	if h.empty() {
		return nil
	}
	payload, err := h.encode()
	if err != nil {
		return s.fail("ring", err)
	}
	if s.ring.next-s.live+slotsFor(len(payload)) > s.ring.slots/4*3 {
		return s.makeRoom()
	}
	if err := s.ring.write(payload, func() { s.markKept(h) }); err != nil {
		return s.fail("ring", err)
	}
	s.recovered("ring")
	if s.ring.next-s.live > s.ring.slots/2 && s.maySeal() {
		return s.seal()
	}
	return nil
}

// makeRoom seals, which frees the whole ring. When that fails, everything
// unsealed is written again close together into the free quarter, and when
// that is too much, the events with the newest rows that fit.
func (s *Store) makeRoom() error {
	var sealErr error
	if s.maySeal() {
		if sealErr = s.seal(); sealErr == nil {
			return nil
		}
	}
	h := s.collect(everything)
	payload, whole, err := h.newestThatFit(s.ring.slots - (s.ring.next - s.live))
	if err != nil {
		return errors.Join(sealErr, s.fail("ring", err))
	}
	first := s.ring.next
	err = s.ring.write(payload, func() { s.live = first; s.markKept(h) })
	if err != nil {
		return errors.Join(sealErr, s.fail("ring", err))
	}
	s.recovered("ring")
	if !whole {
		return errors.Join(sealErr, s.fail("room in the ring", errRingFull))
	}
	s.recovered("room in the ring")
	return sealErr
}

// errRingFull tells that only part of what is in memory has room on the card.
var errRingFull = errors.New("full because the data file cannot be written: a power cut would lose the oldest readings in memory (look at the card)")

// newestThatFit packs a harvest into so many slots, or else all its events and
// half as many rows again and again.
func (h *harvest) newestThatFit(slots uint64) (payload []byte, whole bool, err error) {
	b := *h.batch
	for whole = true; ; whole = false {
		if payload, err = b.encode(); err != nil || slotsFor(len(payload)) <= slots {
			return payload, whole, err
		}
		if len(b.rows) == 0 {
			return nil, false, errors.New("ring is full and the data file cannot be written (look at the card)")
		}
		b.rows = newerHalf(b.rows)
	}
}

// newerHalf leaves out the earlier rows of each group, and in the end all.
func newerHalf(all []*rows) (half []*rows) {
	left := map[string]int{}
	for _, r := range all {
		left[r.schema.group] += len(r.at)
	}
	for group := range left {
		left[group] /= 2
	}
	for _, r := range slices.Backward(all) {
		if n := min(left[r.schema.group], len(r.at)); n > 0 {
			half = append(half, r.from(len(r.at)-n))
			left[r.schema.group] -= n
		}
	}
	slices.Reverse(half)
	return half
}

// part says which of what is in memory is meant.
type part int

const (
	unkept       part = iota // what is not in the ring
	unkeptClosed             // of that, what was closed by a cut
	closedPart               // what was closed by a cut
	everything
)

// harvest is a part of what is in memory, and how to find it there again.
type harvest struct {
	*batch
	from    []*segment // of each of the batch's rows
	upTo    []int      // where those rows end in it
	lastSeq uint64     // of the events in it, and before
}

// collect gathers a part of what is in memory.
func (s *Store) collect(p part) *harvest {
	s.mu.Lock()
	defer s.mu.Unlock()
	h := &harvest{batch: &batch{}, lastSeq: s.lastSeq}
	onlyNew, onlyClosed := p == unkept || p == unkeptClosed, p == closedPart || p == unkeptClosed
	for _, name := range s.groupNames() {
		for _, seg := range s.groups[name].segments {
			from := 0
			if onlyNew {
				from = seg.kept
			}
			if from < len(seg.at) && (seg.closed || !onlyClosed) {
				h.rows = append(h.rows, seg.from(from))
				h.from, h.upTo = append(h.from, seg), append(h.upTo, len(seg.at))
			}
		}
	}
	if onlyClosed {
		h.lastSeq = s.cutSeq
	}
	h.events = s.events[:s.eventsUpTo(h.lastSeq)]
	if onlyNew {
		h.events = h.events[min(s.eventsUpTo(s.keptSeq), len(h.events)):]
	}
	if p == unkept {
		s.flushDue = false
	}
	for _, boot := range s.boots {
		if slices.ContainsFunc(h.rows, func(r *rows) bool { return r.boot == boot.Number }) ||
			slices.ContainsFunc(h.events, func(e model.Event) bool { return e.At.Boot == boot.Number }) {
			h.boots = append(h.boots, boot)
		}
	}
	return h
}

// eventsUpTo returns how many of the events in memory have a Seq up to this.
// Callers hold mu.
func (s *Store) eventsUpTo(seq uint64) int {
	n, _ := slices.BinarySearchFunc(s.events, seq+1, func(e model.Event, seq uint64) int { return cmp.Compare(e.Seq, seq) })
	return n
}

func (s *Store) groupNames() []string {
	names := make([]string, 0, len(s.groups))
	for name := range s.groups {
		names = append(names, name)
	}
	slices.Sort(names)
	return names
}

// markKept notes that a harvest is in the ring.
func (s *Store) markKept(h *harvest) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for i, seg := range h.from {
		seg.kept = max(seg.kept, h.upTo[i])
	}
	s.keptSeq = max(s.keptSeq, h.lastSeq)
	s.health.SyncedSeq = max(s.health.SyncedSeq, h.lastSeq)
	s.noteUnkept()
}

// noteUnkept notes since when rows are at risk. Callers hold mu.
func (s *Store) noteUnkept() {
	s.waiting, s.pending = false, model.Instant{}
	for _, g := range s.groups {
		for _, seg := range g.segments {
			if seg.kept >= len(seg.at) {
				continue
			}
			if at := seg.instant(seg.kept); s.pending.IsZero() || at.Before(s.pending) {
				s.pending = at
			}
		}
	}
}
