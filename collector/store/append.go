package store

import (
	"errors"
	"fmt"
	"path/filepath"
	"slices"
	"time"

	"golang.org/x/sys/unix"

	"tickover/model"
)

// window is the time one block spans. Blocks begin at its multiples.
const window = 10 * time.Minute

// Append keeps a scan's measured samples and the events that belong to it.
// Events reach the card before it returns, rows within the tail. The events'
// Seq is assigned in the slice given.
//
// errOrder and errBoot refuse the scan. After any other error the scan is
// kept in memory, and later calls try the disk again.
func (s *Store) Append(scan *model.Scan, events []model.Event) error {
	due, err := s.take(scan, events)
	if err != nil || !due {
		return err
	}
	s.writing.Lock()
	defer s.writing.Unlock()
	return s.work()
}

// take takes a scan and its events into memory, and reports whether something
// is to be written now.
func (s *Store) take(scan *model.Scan, events []model.Event) (due bool, err error) {
	if err := s.readOnly(); err != nil {
		return false, err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	scan = s.placed(scan)
	g, err := s.admit(scan)
	if err != nil {
		return false, err
	}
	sc := s.schemaOf(g, scan)
	if s.startsBlock(g, sc, scan.At) {
		s.cut()
	}
	g.segment(sc, scan.At.Boot).add(scan)
	g.last = scan.At
	s.see(scan.At)
	s.noteBoot(scan.At)
	s.number(events)
	s.health.Appended++
	s.boundMemory()
	if s.due(scan.At) || len(events) > 0 {
		s.flushDue = true
	}
	if !s.flushDue && !s.sealWanted() {
		s.watchTail()
		return false, nil
	}
	return true, nil
}

// cut closes all segments: what is in memory now is sealed before what follows.
// Callers hold mu.
func (s *Store) cut() {
	for _, g := range s.groups {
		if n := len(g.segments); n > 0 {
			g.segments[n-1].closed = true
		}
	}
	s.cutSeq, s.sealDue = s.lastSeq, true
}

// work writes what is due. Callers hold writing.
func (s *Store) work() error {
	s.mu.RLock()
	wanted := s.sealWanted() && s.home == nil
	s.mu.RUnlock()
	var sealErr error
	if wanted {
		// The ring gets the tail first, so that it could stand in for a data
		// file that this very transaction spoils. Should it fail, the seal is
		// the better place anyway.
		_ = s.flush(unkeptClosed)
		sealErr = s.sealPart(s.sealable())
	}
	s.mu.RLock()
	due := s.flushDue
	s.mu.RUnlock()
	if !due {
		return sealErr
	}
	return errors.Join(sealErr, s.flushRing())
}

// sealWanted reports whether it is time to seal. Callers hold mu.
func (s *Store) sealWanted() bool {
	return (s.sealDue || !s.tryAgain.IsZero()) && !s.last.Before(s.tryAgain)
}

// sealable returns what can be sealed: the closed segments, unless something
// that came after them may be in the ring, which counts as spent afterwards.
func (s *Store) sealable() part {
	s.mu.RLock()
	defer s.mu.RUnlock()
	if s.ring.job != nil || s.keptSeq > s.cutSeq || !s.sealDue {
		return everything
	}
	for _, g := range s.groups {
		for _, seg := range g.segments {
			if !seg.closed && seg.kept > 0 {
				return everything
			}
		}
	}
	return closedPart
}

// watchTail sees to it that rows reach the card within the tail also when no
// further scan comes, as when every line hangs. Callers hold mu.
func (s *Store) watchTail() {
	switch {
	case s.late == nil:
		s.late = time.AfterFunc(s.tail(), s.flushLate)
	case !s.waiting:
		s.late.Reset(s.tail())
	}
	s.waiting = true
}

func (s *Store) flushLate() {
	s.mu.Lock()
	s.flushDue, s.waiting = true, false
	s.mu.Unlock()
	if err := s.soon(); err != nil {
		s.log.Warn("readings not yet on the card", "err", err)
	}
}

// tail is how much may be at risk now. Callers hold mu.
func (s *Store) tail() time.Duration {
	if s.busy {
		return s.opts.TailBusy
	}
	return s.opts.TailSteady
}

// AppendEvents keeps events that belong to no scan. They are on the card when
// it returns without error; after an error they are in memory and will be
// tried again.
func (s *Store) AppendEvents(events []model.Event) error {
	if err := s.readOnly(); err != nil || len(events) == 0 {
		return err
	}
	s.writing.Lock()
	defer s.writing.Unlock()
	s.mu.Lock()
	s.number(events)
	s.mu.Unlock()
	return s.flushRing()
}

// SetBusy says whether the set does anything but stand still or run steadily:
// rows then go to the card within Options.TailBusy instead of TailSteady.
func (s *Store) SetBusy(busy bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.busy = busy
}

// Flush writes every row in memory to the ring.
func (s *Store) Flush() error {
	if err := s.readOnly(); err != nil {
		return err
	}
	s.writing.Lock()
	defer s.writing.Unlock()
	return s.flushRing()
}

// admit finds a scan's group, or refuses it. Callers hold mu.
func (s *Store) admit(scan *model.Scan) (*group, error) {
	if !s.knowsBoot(scan.At.Boot) {
		return nil, fmt.Errorf("keep scan of %s at %s: %w", scan.Group, scan.At, errBoot)
	}
	g := s.group(scan.Group)
	if !g.last.Before(scan.At) {
		return nil, fmt.Errorf("keep scan of %s at %s after %s: %w", scan.Group, scan.At, g.last, errOrder)
	}
	if scan.Measured > maxColumns {
		return nil, fmt.Errorf("keep scan of %s: %d points, one group holds %d (poll some of them at another interval)", scan.Group, scan.Measured, maxColumns)
	}
	return g, nil
}

// clockSlip is how far a group's clock may go back before that is more than two
// rounds in one tick, or a step too small to matter.
const clockSlip = time.Second

// placed returns a scan at the time at which it can be kept: a tick after the
// one before it when the boot clock did not move on, and in a boot of its own
// when the clock went back. Callers hold mu.
func (s *Store) placed(scan *model.Scan) *model.Scan {
	at := scan.At
	if other, ok := s.moved[at.Boot]; ok {
		at.Boot = other
	}
	if g := s.groups[scan.Group]; g != nil && g.last.Boot == at.Boot && !g.last.Before(at) && scan.At.Boot == s.boot {
		if back := g.last.Offset - at.Offset; back < clockSlip {
			at = g.last.Add(time.Millisecond)
		} else {
			at.Boot = s.goBack(scan.At.Boot, at, back)
		}
	}
	if at == scan.At {
		return scan
	}
	other := *scan
	other.At = at
	return &other
}

// goBack begins another boot because the running one's clock went back by more
// than a second, and says so. Callers hold mu.
func (s *Store) goBack(boot uint32, at model.Instant, back time.Duration) uint32 {
	kernel := ""
	for _, b := range s.boots {
		if b.Number == at.Boot {
			kernel = b.Kernel
		}
	}
	other := s.enterBoot(kernel)
	if s.moved == nil {
		s.moved = map[uint32]uint32{}
	}
	s.moved[boot] = other
	text := fmt.Sprintf("the computer's boot clock went back by %s without a restart: what follows counts as another boot", back.Round(time.Millisecond))
	s.number([]model.Event{{At: model.Instant{Boot: other, Offset: at.Offset}, Kind: model.StoreEvent, Text: text}})
	s.flushDue = true
	return other
}

// schemaOf returns the group's schema for a scan, the one in use if it fits.
func (s *Store) schemaOf(g *group, scan *model.Scan) *schema {
	if n := len(g.segments); n > 0 && g.segments[n-1].schema.matches(scan) {
		return g.segments[n-1].schema
	}
	sc := &schema{group: scan.Group}
	for _, sample := range scan.Samples[:scan.Measured] {
		sc.points = append(sc.points, sample.Point)
		sc.scales = append(sc.scales, scaleOf(s.opts.Points[sample.Point]))
	}
	return sc
}

// startsBlock reports whether the rows in memory should be sealed before this
// one: at ten-minute marks, and when boot or columns change.
func (s *Store) startsBlock(g *group, sc *schema, at model.Instant) bool {
	for _, other := range s.groups {
		for _, seg := range other.segments {
			if seg.closed {
				continue
			}
			if seg.boot != at.Boot || int64(at.Offset)/int64(window) > seg.at[0]/int64(window) {
				return true
			}
		}
	}
	n := len(g.segments)
	return n > 0 && !g.segments[n-1].closed && (!sameSchema(g.segments[n-1].schema, sc) || len(g.segments[n-1].at) >= sc.mostRows())
}

// number gives events their place and holds them.
func (s *Store) number(events []model.Event) {
	for i := range events {
		s.lastSeq++
		events[i].Seq = s.lastSeq
		if other, ok := s.moved[events[i].At.Boot]; ok {
			events[i].At.Boot = other
		}
		s.events = append(s.events, events[i])
		s.keepAround(events[i])
		s.see(events[i].At)
		s.noteEvent(events[i])
		s.health.Events++
	}
	s.boundEvents()
}

// keepAround keeps the readings around a grave event from being thinned out.
func (s *Store) keepAround(e model.Event) {
	if e.Grave() {
		s.spans = append(s.spans, e.BlackBox(model.Clock{Boots: s.boots}))
	}
}

// due reports whether waiting for the next scan would put more than the tail
// at risk. The next is expected after as long as this one took.
func (s *Store) due(at model.Instant) bool {
	gap, sameBoot := at.Sub(s.recent)
	s.recent = at
	if s.pending.IsZero() {
		s.pending = at
	}
	risk, _ := at.Sub(s.pending)
	if !sameBoot {
		gap = 0
	}
	return risk+gap >= s.tail()
}

// boundMemory gives up the oldest rows when the disk has taken none for too
// long. Callers hold mu.
func (s *Store) boundMemory() {
	held := 0
	for _, g := range s.groups {
		for _, seg := range g.segments {
			held += len(seg.at) * max(len(seg.values), 1)
		}
	}
	for _, g := range s.groups {
		for held > s.opts.Memory && len(g.segments) > 1 {
			held -= s.giveUp(g)
		}
	}
}

func (s *Store) giveUp(g *group) int {
	seg := g.segments[0]
	g.segments = slices.Clone(g.segments[1:])
	s.health.Lost += uint64(len(seg.at))
	return len(seg.at) * max(len(seg.values), 1)
}

// fail remembers why a part does not work and returns the error.
func (s *Store) fail(part string, err error) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.trouble[part] = err.Error()
	return err
}

func (s *Store) recovered(part string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	delete(s.trouble, part)
}

func diskTrouble(err error) bool {
	for _, e := range []error{unix.ENOSPC, unix.EDQUOT, unix.EIO, unix.EROFS} {
		if errors.Is(err, e) {
			return true
		}
	}
	return false
}

func joinDir(dir, name string) string { return filepath.Join(dir, name) }
