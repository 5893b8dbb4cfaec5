package store

import (
	"maps"
	"slices"
	"strings"

	"tickover/model"
)

// Health is how the store does. While Run runs it touches no file: size and room
// are what the inspector saw last.
func (s *Store) Health() model.StoreHealth {
	s.mu.RLock()
	h := s.health
	h.Pending = 0
	for _, g := range s.groups {
		for _, seg := range g.segments {
			h.Pending += len(seg.at) - seg.kept
		}
	}
	var why []string
	for _, part := range slices.Sorted(maps.Keys(s.trouble)) {
		why = append(why, part+": "+s.trouble[part])
	}
	seen, looked := s.seen, s.looked
	s.mu.RUnlock()
	if missing := seen.missing(); missing != "" {
		why = append(why, missing)
	}
	h.Degraded = strings.Join(why, "; ")
	if !looked || !s.running.Load() {
		seen = s.sizes()
	}
	h.Bytes, h.FreeDisk = seen.bytes, seen.free
	return h
}
