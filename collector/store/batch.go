package store

import (
	"encoding/binary"

	"tickover/model"
)

// batch is what one write to the ring carries. It stands alone: with every
// other file gone, its rows can still be named, scaled and put in order.
type batch struct {
	boots  []model.Boot // number and kernel only
	rows   []*rows
	events []model.Event
}

func (b *batch) empty() bool { return len(b.rows) == 0 && len(b.events) == 0 }

func (b *batch) encode() ([]byte, error) {
	out := binary.AppendUvarint(nil, uint64(len(b.boots)))
	for _, boot := range b.boots {
		out = binary.AppendUvarint(out, uint64(boot.Number))
		out = appendText(out, boot.Kernel)
	}
	out = binary.AppendUvarint(out, uint64(len(b.rows)))
	for _, r := range b.rows {
		out = appendText(out, string(r.schema.encode()))
		out = binary.AppendUvarint(out, uint64(r.boot))
		out = appendText(out, string(encodeRows(r)))
	}
	out = binary.AppendUvarint(out, uint64(len(b.events)))
	for _, e := range b.events {
		text, err := encodeEvent(e)
		if err != nil {
			return nil, err
		}
		out = appendText(out, string(text))
	}
	return out, nil
}

func decodeBatch(in []byte) (*batch, error) {
	c, b := cursor{b: in}, &batch{}
	for range c.count() {
		b.boots = append(b.boots, model.Boot{Number: uint32(c.uvarint()), Kernel: c.text()})
	}
	cells := 0
	for range c.count() {
		s, err := decodeSchema(c.bytes())
		if err != nil {
			return nil, err
		}
		boot, body := uint32(c.uvarint()), c.bytes()
		n, _, _, err := blockSpan(body)
		if cells += n * len(s.points); err != nil || cells > batchCells {
			return nil, errBlock
		}
		r, err := decodeRows(body, s, boot, nil, nil)
		if err != nil {
			return nil, err
		}
		b.rows = append(b.rows, r)
	}
	for range c.count() {
		e, err := decodeEvent(c.bytes())
		if err != nil {
			return nil, err
		}
		b.events = append(b.events, e)
	}
	if c.bad {
		return nil, errBlock
	}
	return b, nil
}
