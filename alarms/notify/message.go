package notify

import (
	"cmp"
	"context"
	"fmt"
	"time"

	"tickover/model"
)

// messageKind is the reason for a message. The values are part of a webhook's payload.
type messageKind string

// The kinds of message.
const (
	alarmKind      messageKind = "alarm"      // an alarm changed state
	escalationKind messageKind = "escalation" // not acknowledged in time
	checkInKind    messageKind = "check-in"   // of the timer of a person who works alone
	testKind       messageKind = "test"
)

// Message is one notification.
type Message struct {
	ID       string // the same whenever it is sent again
	Kind     messageKind
	At       model.Instant
	Priority model.Priority
	Text     string            // in words
	Action   string            // what to do by hand; may be empty
	Alarm    *model.AlarmEvent `json:",omitempty"` // for Alarm
}

// Digest is the content of one delivery: one message, or all that waited.
type Digest struct {
	Set, Site string
	Simulated bool
	Messages  []Message // oldest first; at least one
	Dropped   int       // older messages that found no room
	Clock     model.Clock
}

// Sender delivers a digest to one target. Its error carries a hint where there is one;
// the same digest may be sent again after any error.
type Sender interface {
	Send(context.Context, Digest) error
}

// worst is the highest priority among the messages.
func (d Digest) worst() model.Priority {
	var p model.Priority
	for _, m := range d.Messages {
		p = max(p, m.Priority)
	}
	return p
}

// when writes the moment of a message as well as it is known.
func (d Digest) when(m Message) string {
	wall, source := d.Clock.Wall(m.At)
	switch source {
	case model.ClockUnknown:
		return fmt.Sprintf("%s after start %d of the computer; the time of day is not known",
			model.Lasting(m.At.Offset.Round(time.Second)), m.At.Boot)
	case model.ClockUnsynchronised:
		return wall.Format("2006-01-02 15:04:05 UTC") + " (clock not synchronised)"
	}
	return wall.Format("2006-01-02 15:04:05 UTC")
}

// subject is the digest in a line.
func (d Digest) subject() string {
	head := ""
	if d.Simulated {
		head = "SIMULATED "
	}
	if len(d.Messages) == 1 && d.Dropped == 0 {
		return fmt.Sprintf("%s[%s] %s: %s", head, d.worst(), d.Set, d.Messages[0].Text)
	}
	return fmt.Sprintf("%s[%s] %s: %d messages", head, d.worst(), d.Set, len(d.Messages)+d.Dropped)
}

// lines is the digest as text, a paragraph per message.
func (d Digest) lines() []string {
	var all []string
	if d.Simulated {
		all = append(all, "SIMULATED: no real set.", "")
	}
	all = append(all, "Set: "+d.Set)
	if d.Site != "" {
		all = append(all, "Site: "+d.Site)
	}
	if d.Dropped > 0 {
		all = append(all, "",
			fmt.Sprintf("%d older messages are not included; see the alarm journal.", d.Dropped))
	}
	for _, m := range d.Messages {
		all = append(all, "", d.when(m), fmt.Sprintf("%s: %s", m.Priority, m.Text))
		if m.Action != "" {
			all = append(all, model.ActionHead(m.Priority)+": "+m.Action)
		}
	}
	return append(all, "", model.Advisory)
}

// messageOf is the message of an alarm's transition. q is the quantity of its point.
func messageOf(e model.AlarmEvent, q model.Quantity, clock model.Clock) Message {
	m := Message{
		ID:   fmt.Sprintf("%d-%d-%s-%s", e.At.Boot, e.At.Offset, e.Rule, e.To.Letter()),
		Kind: alarmKind, At: e.At,
		Priority: e.Priority, Text: e.Words(), Alarm: &e,
	}
	if text := e.Text(q, clock); text != "" {
		m.Text = cmp.Or(e.Label, e.Rule) + ": " + text
	}
	switch {
	case e.To.Lasts():
		m.Action = e.Action
	case e.To.Active(), e.To.AwaitsPerson():
		m.Text += " Reset it."
	}
	return m
}
