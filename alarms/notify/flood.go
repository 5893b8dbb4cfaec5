package notify

import (
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"tickover/model"
)

// flood holds back what the summary of many alarms at once speaks for: forty
// alarms in a minute are one message, the critical ones, and one that says how
// many there were.
// What was held back is on disk before the mark moves on, so that a restart in
// the middle still reports it.
type flood struct {
	held    map[string]bool // rules whose alarm was not sent
	count   int             // such raisings since the last summary
	changed bool            // since it was last on disk
}

// heldBack is a flood on disk.
type heldBackFile struct {
	Rules map[string]bool
	Count int
}

// holds reports whether a transition is not sent. An alarm that was held back stays so
// until it is raised outside a flood; one that is shown under another stays so until it
// outlasts that. A rule without readings is reported all the same.
func (f *flood) holds(e model.AlarmEvent) bool {
	switch {
	case e.Alone:
		f.changed = f.changed || f.held[e.Rule]
		delete(f.held, e.Rule)
	case e.Under != "" && e.From == e.To && e.Who == "":
		return true // the alarm of the device speaks for what it hides
	case e.Under != "" && e.To == model.AlarmUnacknowledged:
		f.held[e.Rule], f.changed = true, true
	case e.Flood:
		f.held[e.Rule] = true
		f.count++
		f.changed = true
	case e.From == e.To && e.Who == "":
		return false
	case e.To == model.AlarmUnacknowledged:
		f.changed = f.changed || f.held[e.Rule]
		delete(f.held, e.Rule)
	}
	return f.held[e.Rule]
}

// sum adds to the end of a flood how many alarms were held back.
func (f *flood) sum(m *Message) {
	if e := m.Alarm; e.Point != model.AlarmsRaised || e.To.Active() || f.count == 0 {
		return
	}
	m.Text += fmt.Sprintf(" %d alarms were not sent one by one: see the list of alarms.", f.count)
	f.count, f.changed = 0, true
}

func (d *Dispatcher) heldFile() string { return filepath.Join(d.parts.Folder, "held-back.json") }

// recallFlood reads what a flood held back before a restart.
func (d *Dispatcher) recallFlood() {
	var was heldBackFile
	text, err := os.ReadFile(d.heldFile())
	if err == nil {
		err = json.Unmarshal(text, &was)
	}
	if err != nil && !errors.Is(err, os.ErrNotExist) {
		d.parts.Log.Error("the number of alarms that a flood held back before the stop is lost",
			"err", err)
		return
	}
	if d.flood.count = was.Count; was.Rules != nil {
		d.flood.held = was.Rules
	}
}

// keepFlood puts what is held back on disk.
func (d *Dispatcher) keepFlood() {
	if !d.flood.changed || len(d.targets) == 0 {
		return
	}
	text, err := json.Marshal(heldBackFile{d.flood.held, d.flood.count})
	if err == nil {
		err = d.disk.replace(d.heldFile(), text)
	}
	if err != nil {
		d.parts.Log.Error("the number of alarms that a flood held back may be lost after a restart",
			"err", err)
		return
	}
	d.flood.changed = false
}
