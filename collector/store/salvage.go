package store

import (
	"bytes"
	"cmp"
	"context"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"iter"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"unicode"
	"unicode/utf8"

	"tickover/model"
)

// Salvage makes a store in an empty folder from whatever is readable in a
// damaged data file. It trusts no index: every page is looked at, and an entry
// counts when its checksum, which covers its key, says that it is whole. A
// ring beside the file is taken along. progress, which may be nil, is called
// with the bytes looked at.
func Salvage(ctx context.Context, file, dir string, progress func(done, total int64)) (Copied, error) {
	f, err := os.Open(file)
	if err != nil {
		return Copied{}, fmt.Errorf("salvage: %w", err)
	}
	defer f.Close()
	st, err := f.Stat()
	if err != nil {
		return Copied{}, fmt.Errorf("salvage: %w", err)
	}
	v := &salvaging{file: f, size: st.Size(), found: map[recordKind]map[string]place{}, schemas: map[uint32]*schema{}, gone: map[string]uint64{}}
	if err := v.look(ctx, progress); err != nil {
		return Copied{}, fmt.Errorf("salvage: %w", err)
	}
	copied, err := rebuild(ctx, dir, "this store was salvaged from "+filepath.Base(file)+" and holds what was readable there", filepath.Dir(file), v.records())
	if err != nil {
		return copied, fmt.Errorf("salvage: %w", err)
	}
	if len(v.found) == 0 {
		copied.Missing = append(copied.Missing, fmt.Sprintf("everything: nothing readable was found in the %d bytes of %s", v.size, filepath.Base(file)))
	}
	return copied, copyRing(filepath.Join(filepath.Dir(file), ringName), filepath.Join(dir, ringName))
}

func copyRing(from, to string) error {
	text, err := os.ReadFile(from)
	if errors.Is(err, os.ErrNotExist) {
		return nil
	}
	if err != nil {
		return fmt.Errorf("salvage ring: %w", err)
	}
	return os.WriteFile(to, text, 0o600)
}

// place is where an entry lies, and how much it says: of two with one key the
// fuller one is the newer.
type place struct {
	at       int64
	key, len int
	weight   int
}

type salvaging struct {
	file    *os.File
	size    int64
	found   map[recordKind]map[string]place
	schemas map[uint32]*schema
	gone    map[string]uint64 // by group, the highest ordinal that was thinned out
}

// look goes through every page.
func (v *salvaging) look(ctx context.Context, progress func(done, total int64)) error {
	for at := int64(2 * pageSize); at+pageHeader <= v.size; at += pageSize {
		if err := ctx.Err(); err != nil {
			return err
		}
		if progress != nil && at%(1<<20) == 0 {
			progress(at, v.size)
		}
		head := make([]byte, pageHeader)
		if _, err := v.file.ReadAt(head, at); err != nil || little.Uint16(head[8:]) != pageLeaf {
			continue
		}
		pages := min(int64(little.Uint32(head[12:]))+1, (v.size-at+pageSize-1)/pageSize, maxValue/pageSize)
		b := make([]byte, pages*pageSize)
		if n, err := v.file.ReadAt(b, at); err == nil || errors.Is(err, io.EOF) {
			v.leaf(b[:n], at)
		}
	}
	return nil
}

// maxValue bounds one value: a photo is the largest.
const maxValue = 4 << 20

// leaf takes every entry whose checksum holds.
func (v *salvaging) leaf(b []byte, at int64) {
	n := int(little.Uint16(b[10:]))
	for i := range n {
		e := pageHeader + i*elemSize
		if e+elemSize > len(b) {
			return
		}
		pos, k, l := e+int(little.Uint32(b[e+4:])), int(little.Uint32(b[e+8:])), int(little.Uint32(b[e+12:]))
		if pos < e || k <= 0 || l < 0 || pos > len(b) || k > len(b)-pos || l > len(b)-pos-k {
			continue
		}
		key, value := b[pos:pos+k], b[pos+k:pos+k+l]
		if little.Uint32(b[e:]) == 1 {
			if l > 16+pageHeader && little.Uint64(value) == 0 {
				v.leaf(value[16:], at+int64(pos+k+16)) // a small bucket lies within its parent
			}
			continue
		}
		if payload, err := unwrap(key, value); err == nil {
			v.entry(key, payload, place{at: at + int64(pos), key: k, len: l})
		}
	}
}

// entry finds out of which table an entry is, by the form of its key and by
// what it says.
func (v *salvaging) entry(key, payload []byte, p place) {
	if len(payload) == 8 && printable(key) {
		v.gone[string(key)] = max(v.gone[string(key)], binary.BigEndian.Uint64(payload))
		return
	}
	var kind recordKind
	switch len(key) {
	case 4:
		kind = recordBoot
		if sc, err := decodeSchema(payload); err == nil {
			kind = recordSchema
			v.schemas[binary.BigEndian.Uint32(key)] = sc
		} else if json.Unmarshal(payload, &model.Boot{}) != nil {
			return
		}
	case 5:
		id, ok := parseSpareKey(key)
		_, sc, err := decodeSpare(payload)
		if !ok || err != nil {
			return
		}
		kind, v.schemas[id] = recordSpare, sc
	case 8:
		kind = recordPhoto
		if seq, _, _, err := eventHead(payload); err == nil && seq == binary.BigEndian.Uint64(key) {
			kind = recordEvent
		}
	case 12:
		kind = longEntry(key, payload)
	case 13:
		kind = recordMinutes
	}
	if kind == recordEnd || wrongKind(kind, key, payload) {
		return // format, sealed: made anew
	}
	if v.found[kind] == nil {
		v.found[kind] = map[string]place{}
	}
	p.weight = len(payload)
	if kind == recordEvent {
		p.weight = thinnedCount(payload)
	}
	name := string(key) + sharedBy(kind, payload)
	if old, ok := v.found[kind][name]; !ok || old.weight < p.weight {
		v.found[kind][name] = p
	}
}

// wrongKind reports whether an entry cannot be what its key is as long as: the
// name of a group in the table of what is gone may be as long as any key.
func wrongKind(kind recordKind, key, payload []byte) bool {
	switch kind {
	case recordPhoto:
		return binary.BigEndian.Uint64(key) > MostPhotos
	case recordBlock:
		c := cursor{b: payload}
		c.uvarint()
		c.uvarint()
		_, first, _, err := blockSpan(c.b)
		at, wrong := parseKey(key)
		return err != nil || wrong != nil || first != int64(at.Offset)
	case recordMinutes:
		_, _, _, err := parseMinuteKey(key)
		return err != nil
	}
	return false
}

// printable reports whether a key is a group's name: all others hold numbers.
func printable(key []byte) bool {
	for _, r := range string(key) {
		if r == utf8.RuneError || !unicode.IsPrint(r) {
			return false
		}
	}
	return true
}

// longEntry tells the tables apart whose keys are instants.
func longEntry(key, payload []byte) recordKind {
	switch {
	case len(payload) > 0 && payload[0] == '{' && json.Valid(payload):
		return recordSetup
	case len(payload) == 12:
		return recordKept
	}
	return recordBlock
}

// sharedBy keeps apart what groups have at one instant: by the number of the
// schema, since the schema itself may not have been met yet.
func sharedBy(kind recordKind, payload []byte) string {
	if kind != recordBlock {
		return ""
	}
	c := cursor{b: payload}
	return string(binary.AppendUvarint(nil, c.uvarint()))
}

// records yields what was found, in the order that a new file wants.
func (v *salvaging) records() iter.Seq2[record, error] {
	return func(yield func(record, error) bool) {
		before := map[string]uint64{}
		var end model.Instant // of the minutes before
		group := ""
		replaced := v.replacedEvents()
		for kind := recordBoot; kind < recordKinds; kind++ {
			for _, r := range v.sorted(kind) {
				if r.group == "" && (kind == recordBlock || kind == recordMinutes) {
					if !yield(record{}, damaged("%s, key %x: its schema is lost", recordBuckets[kind], r.key)) {
						return
					}
					continue
				}
				if err := v.gap(r, before); err != nil && !yield(record{}, err) {
					return
				}
				value := make([]byte, r.len)
				_, err := v.file.ReadAt(value, r.at)
				if kind == recordMinutes {
					first, last, ok := v.minutesSpan(r.key, value)
					if ok && r.group == group && first.Before(end) {
						continue // an older writing of minutes that a fuller one holds
					}
					group, end = r.group, last
				}
				if kind == recordEvent && err == nil && replaced.holds(r.key, value) {
					continue // from a page that is free: a later entry counts it
				}
				if !yield(record{kind, r.group, r.key, value}, err) {
					return
				}
			}
		}
	}
}

// minutesSpan returns the first and last minute of a chunk.
func (v *salvaging) minutesSpan(key, value []byte) (first, last model.Instant, ok bool) {
	boot, _, id, err := parseMinuteKey(key)
	payload, wrong := unwrap(key, value)
	if err != nil || wrong != nil || v.schemas[id] == nil {
		return first, last, false
	}
	m, err := decodeMinutes(payload, v.schemas[id], boot, nil)
	if err != nil {
		return first, last, false
	}
	return m.instant(0), m.instant(len(m.at) - 1), true
}

// gap tells of blocks that are not there.
func (v *salvaging) gap(r salvaged, before map[string]uint64) error {
	if r.ordinal == 0 {
		return nil
	}
	last := max(before[r.group], v.gone[r.group])
	before[r.group] = r.ordinal
	if r.ordinal > last+1 {
		return damaged("%d blocks of %s before key %x are lost", r.ordinal-last-1, r.group, r.key)
	}
	return nil
}

// salvaged is an entry found, with its value still in the file.
type salvaged struct {
	group   string
	key     []byte
	at      int64
	len     int
	ordinal uint64
}

// sorted lists a table's entries by group and key.
func (v *salvaging) sorted(kind recordKind) []salvaged {
	var list []salvaged
	for _, p := range slices.Collect(maps.Values(v.found[kind])) {
		entry := make([]byte, p.key+p.len)
		if _, err := v.file.ReadAt(entry, p.at); err != nil {
			continue
		}
		s := salvaged{key: bytes.Clone(entry[:p.key]), at: p.at + int64(p.key), len: p.len}
		id := uint32(0)
		switch kind {
		case recordBlock:
			if b, err := openBlock(s.key, entry[p.key:]); err == nil {
				id, s.ordinal = b.schema, b.ordinal
			}
		case recordMinutes:
			_, _, id, _ = parseMinuteKey(s.key)
		}
		if sc := v.schemas[id]; sc != nil {
			s.group = sc.group
		}
		list = append(list, s)
	}
	slices.SortFunc(list, func(a, b salvaged) int {
		return cmp.Or(cmp.Compare(a.group, b.group), cmp.Compare(string(a.key), string(b.key)))
	})
	return list
}
