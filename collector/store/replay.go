package store

import (
	"cmp"
	"errors"
	"fmt"
	"os"
	"slices"

	"tickover/model"
)

// openRing opens the ring and takes from it what the data file has not got.
func (s *Store) openRing() (told []string, err error) {
	if _, err := os.Stat(joinDir(s.opts.Dir, ringName)); errors.Is(err, os.ErrNotExist) && s.sealed > 0 && !s.opts.ReadOnly {
		told = append(told, "the ring was not there and was made again: rows and events that were not yet in the data file are missing")
	}
	ring, err := openRing(joinDir(s.opts.Dir, ringName), s.opts.Slots, s.opts.ReadOnly, s.opts.OpenRing)
	if err != nil {
		if ring != nil && diskTrouble(err) && !s.opts.ReadOnly {
			s.ring = ring
			s.ring.next = s.sealed + 1
			s.fail("ring", err)
			return append(told, "the ring cannot be used: "+err.Error()), nil
		}
		return nil, err
	}
	s.ring = ring
	sv := ring.survey()
	ring.next = max(sv.newest, s.sealed) + 1
	if sv.version > slotVersion {
		return nil, ErrNewer
	}
	told = append(told, s.replay(sv)...)
	if !s.opts.ReadOnly {
		if err := ring.blank(sv, s.sealed); err != nil {
			told = append(told, "the ring's unfinished write could not be cleared: "+err.Error())
		}
	}
	return told, nil
}

func (s *Store) replay(sv survey) (told []string) {
	payloads, missing := sv.batches(s.sealed, s.ring.slots)
	all := &batch{}
	for _, p := range payloads {
		b, err := decodeBatch(p)
		if err != nil {
			told = append(told, "a whole batch in the ring could not be read: "+err.Error())
			continue
		}
		all.boots, all.rows, all.events = append(all.boots, b.boots...), append(all.rows, b.rows...), append(all.events, b.events...)
	}
	s.replayBatch(all)
	if len(missing) > 0 {
		told = append(told, fmt.Sprintf("the ring lacks %d slots that were not yet in the data file, from number %d: rows or events of that time may be missing", len(missing), missing[0]))
	}
	if n := len(sv.unfinished(s.sealed, s.ring.slots)); n > 0 {
		told = append(told, fmt.Sprintf("the last write to the ring (%d slots) was not finished, as is normal after a power cut: its content is lost", n))
	}
	return told
}

// replayBatch takes what is newer than what is there, so that doing it twice
// changes nothing. Batches that were packed anew hold what older ones before
// them may have held too, so rows and events are put in order first.
func (s *Store) replayBatch(b *batch) {
	for _, boot := range b.boots {
		if !slices.ContainsFunc(s.boots, func(k model.Boot) bool { return k.Number == boot.Number }) {
			s.boots = append(s.boots, boot)
			slices.SortFunc(s.boots, func(a, b model.Boot) int { return int(a.Number) - int(b.Number) })
			s.dirty[boot.Number] = true
		}
	}
	s.replayRows(b.rows)
	slices.SortStableFunc(b.events, func(a, b model.Event) int { return cmp.Compare(a.Seq, b.Seq) })
	for _, e := range b.events {
		if e.Seq > s.lastSeq {
			s.lastSeq = e.Seq
			s.events = append(s.events, e)
			s.keptSeq = e.Seq
			s.see(e.At)
			s.noteEvent(e)
			s.keepAround(e)
		}
	}
}

func (s *Store) replayRows(all []*rows) {
	type row struct {
		of *rows
		i  int
	}
	var list []row
	for _, r := range all {
		for i := range r.at {
			list = append(list, row{r, i})
		}
	}
	slices.SortStableFunc(list, func(a, b row) int { return a.of.instant(a.i).Compare(b.of.instant(b.i)) })
	for _, x := range list {
		s.replayRow(x.of, x.i)
	}
}

func (s *Store) replayRow(r *rows, i int) {
	g, at := s.group(r.schema.group), r.instant(i)
	if !g.last.Before(at) {
		return
	}
	seg := g.segment(r.schema, r.boot)
	seg.at = append(seg.at, r.at[i])
	for c := range r.values {
		st := statusGood
		if r.states[c] != nil {
			st = r.states[c][i]
		}
		seg.lags[c] = lagged(seg.lags[c], len(seg.values[c]), r.lag(c, i))
		seg.values[c] = append(seg.values[c], r.values[c][i])
		seg.states[c] = append(seg.states[c], st)
	}
	seg.kept++
	g.last = at
	s.noteBoot(at)
	s.see(at)
}

func (s *Store) group(name string) *group {
	g := s.groups[name]
	if g == nil {
		g = &group{name: name}
		s.groups[name] = g
	}
	return g
}

// segment returns the one to append to, a new one when the columns, the boot
// or the size ask for it.
func (g *group) segment(sc *schema, boot uint32) *segment {
	if n := len(g.segments); n > 0 {
		last := g.segments[n-1]
		if !last.closed && last.boot == boot && len(last.at) < sc.mostRows() && sameSchema(last.schema, sc) {
			return last
		}
	}
	seg := &segment{rows: newRows(sc, boot)}
	g.segments = append(g.segments, seg)
	return seg
}

func sameSchema(a, b *schema) bool {
	return a == b || a.group == b.group && slices.Equal(a.points, b.points) && slices.Equal(a.scales, b.scales)
}

func (s *Store) readOnly() error {
	if s.opts.ReadOnly {
		return errReadOnly
	}
	if s.data == nil {
		return errors.New("store is closed")
	}
	return nil
}
