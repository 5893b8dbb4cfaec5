package store

import (
	"errors"
	"fmt"
	"slices"

	"tickover/model"
)

// eventsHeld bounds the events in memory while the data file takes none, some
// 8 MiB. The daemon must live on: what has no room is given up and counted.
const eventsHeld = 5000

// errNoRoom answers whoever waits for an event that was given up.
var errNoRoom = errors.New("not kept: the card takes nothing and the memory for events is full " +
	"(write it down, look at the card)")

// goesLast reports whether an event is given up only when nothing else is left:
// critical alarms, first-outs, engine states and what people say and do.
func goesLast(e model.Event) bool {
	if a := e.Alarm; a != nil {
		return a.Priority == model.Critical || a.FirstOut || a.Who != ""
	}
	switch e.Kind {
	case model.DeviceEvent, model.ClockEvent, model.StoreEvent, model.DaemonEvent:
		return e.Who != ""
	}
	return true
}

// boundEvents gives up the oldest events in memory when there are too many, the
// less important ones first. Of those it takes some more than needed, so that
// it has not to look at every event that comes. Callers hold mu.
func (s *Store) boundEvents() {
	if len(s.events) <= s.opts.Events {
		return
	}
	dropped := map[uint64]bool{}
	drop := func(last bool, most int) {
		for _, e := range s.events {
			if len(s.events)-len(dropped) <= most {
				return
			}
			if goesLast(e) == last {
				dropped[e.Seq] = true
			}
		}
	}
	drop(false, s.opts.Events/10*9)
	drop(true, s.opts.Events)
	s.events = slices.DeleteFunc(slices.Clone(s.events), func(e model.Event) bool { return dropped[e.Seq] })
	s.health.LostEvents += uint64(len(dropped))
	s.givenUp += len(dropped)
	s.trouble["memory"] = fmt.Sprintf("full: %d events were given up, the least important ones first", s.givenUp)
	s.receipts = slices.DeleteFunc(s.receipts, func(r receipt) bool {
		for seq := r.from; seq <= r.seq; seq++ {
			if dropped[seq] {
				r.kept <- errNoRoom
				return true
			}
		}
		return false
	})
}

// sayGivenUp puts on the timeline what was given up, once events are kept again.
// Callers hold mu.
func (s *Store) sayGivenUp() {
	if s.givenUp == 0 {
		return
	}
	at := s.last
	if at.Boot != s.boot {
		at = model.Instant{Boot: s.boot}
	}
	text := fmt.Sprintf("%d events before this one are missing: the card took nothing and memory was full", s.givenUp)
	s.givenUp = 0
	s.number([]model.Event{{At: at, Kind: model.StoreEvent, Text: text}})
	s.flushDue = true
	s.nudge()
}
