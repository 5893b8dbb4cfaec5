package forward

import (
	"encoding/json"
	"errors"
	"io"
	"maps"
	"slices"
	"strings"
	"syscall"
	"time"

	"github.com/eclipse/paho.mqtt.golang/packets"

	"tickover/model"
)

// topics are the names under which a set is published:
//
//	PREFIX/SET/available            online or offline
//	PREFIX/SET/point/ID             {"value", "unit", "quality", "time"}
//	PREFIX/SET/point/ID/available   online while the value may be believed
//	PREFIX/SET/engine               the engine's state in words
//	PREFIX/SET/alarm/ID             {"state", "active", "awaits", "watching", ...}
//	PREFIX/SET/message              what people are told, not retained
type topics struct {
	client, base, node         string
	available, engine, message string
	freshness                  map[model.PointID]time.Duration
	slowest                    time.Duration
	points                     map[model.PointID]model.Point
}

func newTopics(p BrokerParts) topics {
	prefix, set := p.To.Prefix, plainWord(p.Setup.Rating.Name)
	if prefix == "" {
		prefix = "tickover"
	}
	if set == "" {
		set = "set"
	}
	t := topics{client: p.To.Client, base: prefix + "/" + set, node: plainWord(prefix) + "-" + set,
		freshness: map[model.PointID]time.Duration{}, points: p.Setup.Points()}
	if t.client == "" {
		t.client = "tickover-" + set
	}
	t.available, t.engine, t.message = t.base+"/available", t.base+"/engine", t.base+"/message"
	for id, point := range t.points {
		t.freshness[id] = max(3*point.Every, 5*time.Second)
		t.slowest = max(t.slowest, t.freshness[id])
	}
	return t
}

// plainWord keeps letters and digits of a name, for topics and identifiers.
func plainWord(name string) string {
	word := strings.Map(func(r rune) rune {
		switch {
		case r >= 'a' && r <= 'z', r >= '0' && r <= '9':
			return r
		case r >= 'A' && r <= 'Z':
			return r + 'a' - 'A'
		}
		return '-'
	}, name)
	return strings.Trim(word, "-")
}

// publication is one retained message.
type publication struct {
	topic, text string
	always      bool // also when it is what was sent last
}

type pointState struct {
	Value   *float64 `json:"value"` // null when it is not good
	Unit    string   `json:"unit"`
	Quality string   `json:"quality"`
	Cause   string   `json:"cause,omitempty"`
	Time    *string  `json:"time"` // null when the time of day is not known
}

type alarmState struct {
	State    string `json:"state"`
	Active   bool   `json:"active"`
	Awaits   bool   `json:"awaits_person"`
	Watching bool   `json:"watching"`
	Priority string `json:"priority"`
	Label    string `json:"label"`
	Text     string `json:"text"`   // what raised it and what is now; empty when it is normal
	Action   string `json:"action"` // empty unless the condition lasts
}

// state is everything that a snapshot has to say, in a fixed order.
func (t topics) state(p BrokerParts, s *model.Snapshot) []publication {
	var all []publication
	for _, id := range slices.Sorted(maps.Keys(s.Readings)) {
		if id != model.EngineStatePoint {
			all = append(all, t.point(p, s, id)...)
		}
	}
	all = append(all, publication{t.engine, s.State.String(), true})
	points := p.Setup.Points()
	for _, a := range s.Alarms {
		state := alarmState{State: a.State.String(), Active: a.State.Active(), Awaits: a.State.AwaitsPerson(), Watching: a.Watching,
			Priority: a.Rule.Priority.String(), Label: a.Rule.Label, Text: a.Text(model.QuantityOf(a.Rule.Point, points), s.Clock, s.At)}
		if a.State.Lasts() {
			state.Action = a.Rule.Action
		}
		all = append(all, publication{t.base + "/alarm/" + a.Rule.ID, encode(state), false})
	}
	return all
}

func (t topics) point(p BrokerParts, s *model.Snapshot, id model.PointID) []publication {
	r := s.Readings[id]
	limit, measured := t.freshness[id]
	if !measured {
		limit = t.slowest
	}
	age, same := p.Now().Sub(r.At)
	good := r.Quality == model.Good && same && age <= limit
	unit, scale := shownUnit(t.quantity(id))
	state := pointState{Unit: unit, Quality: model.Bad.String(), Cause: r.Cause.String()}
	if r.Quality == model.Good && !good {
		state.Cause = model.Stale.String()
	}
	word := offline
	if good {
		v := scale(r.Value)
		state.Value, state.Quality, word = &v, model.Good.String(), online
	}
	if wall, source := s.Clock.Wall(r.At); source > model.ClockUnsynchronised {
		text := wall.Format(time.RFC3339Nano)
		state.Time = &text
	}
	topic := t.base + "/point/" + string(id)
	return []publication{{topic, encode(state), good}, {topic + "/available", word, false}}
}

func (t topics) quantity(id model.PointID) model.Quantity {
	if p, ok := t.points[id]; ok {
		return p.Quantity
	}
	q, _ := model.KnownQuantity(id)
	return q
}

// shownUnit is the unit a quantity is published in: what people's dashboards
// add up and show, without powers of ten that nobody reads.
func shownUnit(q model.Quantity) (string, func(float64) float64) {
	symbol := q.Unit()
	switch q {
	case model.Pressure:
		symbol = "bar"
	case model.Energy:
		symbol = "kWh"
	case model.Ratio, model.PowerFactor:
		symbol = "%"
	case model.Speed:
		return "rpm", func(v float64) float64 { return v * 60 }
	}
	return symbol, func(v float64) float64 { return model.InUnit(v, q, symbol) }
}

func encode(v any) string {
	text, err := json.Marshal(v)
	if err != nil {
		return "{}" // a value that is no number; it was not good
	}
	return string(text)
}

// alarmStates is a digest of all alarms' states, to see a change.
func alarmStates(s *model.Snapshot) string {
	var b strings.Builder
	b.WriteString(s.State.String())
	for _, a := range s.Alarms {
		b.WriteString(a.State.Letter())
	}
	return b.String()
}

// refusalHint says what to do about a broker that refuses us.
func refusalHint(err error) string {
	switch {
	case errors.Is(err, packets.ErrorRefusedBadUsernameOrPassword), errors.Is(err, packets.ErrorRefusedNotAuthorised):
		return "user or password is wrong or missing: look at user: and password file:, and at the broker's list of users"
	case errors.Is(err, packets.ErrorRefusedIDRejected):
		return "the broker does not like our identifier: choose one with client:"
	case errors.Is(err, packets.ErrorRefusedServerUnavailable):
		return "the broker is not up"
	case errors.Is(err, packets.ErrorRefusedBadProtocolVersion):
		return "the broker does not speak MQTT 3.1.1"
	case errors.Is(err, io.EOF), errors.Is(err, syscall.ECONNRESET):
		return "it hangs up: its port for TLS, 8883 mostly, wants tls: yes, the other one, 1883 mostly, tls: no; else its log says why"
	}
	return ""
}
