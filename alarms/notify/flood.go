package notify

import (
	"fmt"

	"tickover/model"
)

// flood holds back what the summary of many alarms at once speaks for: forty
// alarms in a minute are one message, the critical ones, and one that says how
// many there were.
type flood struct {
	held  map[string]bool // rules whose raising was not told
	count int             // such raisings since the last summary
}

// holds reports whether a transition is not told. An alarm that was held back
// stays so until it is raised outside a flood; that its rule cannot see is
// told all the same.
func (f *flood) holds(e model.AlarmEvent) bool {
	switch {
	case e.Flood:
		f.held[e.Rule] = true
		f.count++
	case e.From == e.To && e.Who == "":
		return false
	case e.To == model.AlarmUnacknowledged:
		delete(f.held, e.Rule)
	}
	return f.held[e.Rule]
}

// sum adds to the end of a flood how many alarms were held back.
func (f *flood) sum(m *Message) {
	if e := m.Alarm; e.Point != model.AlarmsRaised || e.To.Active() || f.count == 0 {
		return
	}
	m.Text += fmt.Sprintf("; %d alarms were not told one by one, see the list of alarms", f.count)
	f.count = 0
}
