package notify

import (
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
	"slices"

	"tickover/model"
)

// The dispatcher runs in parallel with the carrier. A program that is killed may leave
// a transition in the journal that no queue holds. The mark on disk shows how far the
// queues go. Transitions after it are offered at the next start: they are sent late,
// at worst twice, but always.

func (d *Dispatcher) markFile() string { return filepath.Join(d.parts.Folder, "told-until.json") }

// Mark is the instant up to which every transition offered is in the queues;
// zero before there was a target. Nothing is resumed then.
func (d *Dispatcher) Mark() model.Instant { return d.mark }

// Resume offers what the journal holds beyond the mark. Call it once, before
// Run.
func (d *Dispatcher) Resume(journal []model.AlarmEvent) {
	if !d.mark.IsZero() {
		d.Offer(slices.DeleteFunc(slices.Clone(journal),
			func(e model.AlarmEvent) bool { return !d.mark.Before(e.At) }))
	}
}

// readMark reads the mark. One that cannot be read is as good as none.
func (d *Dispatcher) readMark() {
	text, err := os.ReadFile(d.markFile())
	if err == nil {
		err = json.Unmarshal(text, &d.mark)
	}
	if err != nil && !errors.Is(err, os.ErrNotExist) {
		d.parts.Log.Error("alarms just before the stop may not have been sent", "err", err)
	}
}

// beginMark sets the first mark. Without a target there is none, or the first target
// configured later would get everything that happened before.
func (d *Dispatcher) beginMark() {
	if len(d.targets) > 0 && d.mark.IsZero() {
		d.setMark(d.parts.Now())
	}
	if len(d.targets) > 0 {
		return
	}
	if err := os.Remove(d.markFile()); err != nil && !errors.Is(err, os.ErrNotExist) {
		d.parts.Log.Error("old alarms may be sent to the next target", "err", err)
	}
}

// setMark moves the mark, forwards only.
func (d *Dispatcher) setMark(at model.Instant) {
	if len(d.targets) == 0 || !d.mark.Before(at) {
		return
	}
	d.mark = at
	text, err := json.Marshal(at)
	if err == nil {
		err = d.disk.replace(d.markFile(), text)
	}
	if err != nil {
		d.parts.Log.Error("an alarm may be sent again after a restart", "err", err)
	}
}
