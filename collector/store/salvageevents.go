package store

import (
	"encoding/binary"
	"slices"
)

// replacedEvents are, by what they have in common, the numbers of the events that
// thinning out deleted. Pages that are free may still hold them.
type replacedEvents map[eventKey][]numbers

type numbers struct{ from, to uint64 } // to is excluded

// replacedEvents reads which events the ones that were found replace.
func (v *salvaging) replacedEvents() replacedEvents {
	all := replacedEvents{}
	for _, p := range v.found[recordEvent] {
		if p.weight == 0 {
			continue
		}
		value := make([]byte, p.len-valueHead)
		if _, err := v.file.ReadAt(value, p.at+int64(p.key)+valueHead); err != nil {
			continue
		}
		e, err := decodeEvent(value)
		key, may := thinKey(e)
		if err == nil && may && e.Thinned != nil {
			all[key] = append(all[key], numbers{e.Thinned.From, e.Seq})
		}
	}
	return all
}

// holds reports whether an event was replaced by another that was found.
func (all replacedEvents) holds(key, value []byte) bool {
	payload, err := unwrap(key, value)
	if err != nil {
		return false
	}
	e, err := decodeEvent(payload)
	if err != nil {
		return false
	}
	k, may := thinKey(e)
	seq := binary.BigEndian.Uint64(key)
	return may && slices.ContainsFunc(all[k], func(n numbers) bool { return n.from <= seq && seq < n.to })
}

// thinnedCount is how many events an event replaces: of two writings the one
// that replaces more is the newer.
func thinnedCount(payload []byte) int {
	if e, err := decodeEvent(payload); err == nil && e.Thinned != nil {
		return max(e.Thinned.Count, 0)
	}
	return 0
}
