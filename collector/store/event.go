package store

import (
	"bytes"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"maps"
	"math"
	"time"

	"tickover/model"
)

// oddNumbers holds the bit patterns of an event's numbers that JSON cannot
// write (not a number, infinite), by where they stood.
type oddNumbers map[string]uint64

type keptEvent struct {
	model.Event
	Odd oddNumbers `json:",omitempty"`
}

// encodeEvent writes sequence, instant and the event as JSON.
func encodeEvent(e model.Event) ([]byte, error) {
	k := keptEvent{Event: e, Odd: oddNumbers{}}
	if e.Alarm != nil {
		alarm := *e.Alarm
		k.Alarm = &alarm
		k.Odd.hide("alarm.value", &alarm.Value)
		k.Odd.hide("alarm.limit", &alarm.Limit)
		k.Odd.hide("alarm.crossing.value", &alarm.Crossing.Value)
		k.Odd.hide("alarm.crossing.limit", &alarm.Crossing.Limit)
	}
	if e.Hand != nil {
		hand := *e.Hand
		hand.Conditions = maps.Clone(hand.Conditions)
		k.Hand = &hand
		k.Odd.hide("hand.value", &hand.Value)
		for name, v := range hand.Conditions {
			k.Odd.hide("hand.conditions."+name, &v)
			hand.Conditions[name] = v
		}
	}
	text, err := json.Marshal(k)
	if err != nil {
		return nil, fmt.Errorf("write event: %w", err)
	}
	b := binary.AppendUvarint(nil, e.Seq)
	b = binary.AppendUvarint(b, uint64(e.At.Boot))
	b = binary.AppendVarint(b, int64(e.At.Offset))
	return append(b, text...), nil
}

func (o oddNumbers) hide(name string, v *float64) {
	if math.IsNaN(*v) || math.IsInf(*v, 0) {
		o[name] = math.Float64bits(*v)
		*v = 0
	}
}

func (o oddNumbers) show(name string, v *float64) {
	if bits, ok := o[name]; ok {
		*v = math.Float64frombits(bits)
	}
}

// eventHead reads sequence and instant without the rest.
func eventHead(b []byte) (seq uint64, at model.Instant, text []byte, err error) {
	c := cursor{b: b}
	seq, at.Boot, at.Offset = c.uvarint(), uint32(c.uvarint()), time.Duration(c.varint())
	if c.bad {
		return 0, at, nil, errBlock
	}
	return seq, at, c.b, nil
}

func decodeEvent(b []byte) (model.Event, error) {
	seq, _, text, err := eventHead(b)
	if err != nil {
		return model.Event{}, err
	}
	var k keptEvent
	if err := json.NewDecoder(bytes.NewReader(text)).Decode(&k); err != nil {
		return model.Event{}, fmt.Errorf("read event %d: %w", seq, err)
	}
	if k.Alarm != nil {
		k.Odd.show("alarm.value", &k.Alarm.Value)
		k.Odd.show("alarm.limit", &k.Alarm.Limit)
		k.Odd.show("alarm.crossing.value", &k.Alarm.Crossing.Value)
		k.Odd.show("alarm.crossing.limit", &k.Alarm.Crossing.Limit)
	}
	if k.Hand != nil {
		k.Odd.show("hand.value", &k.Hand.Value)
		for name, v := range k.Hand.Conditions {
			k.Odd.show("hand.conditions."+name, &v)
			k.Hand.Conditions[name] = v
		}
	}
	return k.Event, nil
}
