package store

import (
	"maps"
	"os"
	"slices"
	"strings"

	"golang.org/x/sys/unix"

	"tickover/model"
)

// Health tells how the store fares.
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
	s.mu.RUnlock()
	h.Degraded = strings.Join(why, "; ")
	for _, name := range []string{dataName, ringName} {
		if st, err := os.Stat(joinDir(s.opts.Dir, name)); err == nil {
			h.Bytes += st.Size()
		}
	}
	h.FreeDisk = -1
	var fs unix.Statfs_t
	if unix.Statfs(s.opts.Dir, &fs) == nil {
		h.FreeDisk = int64(fs.Bavail) * int64(fs.Bsize)
	}
	return h
}
