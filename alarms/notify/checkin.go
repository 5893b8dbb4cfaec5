package notify

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"sync"
	"time"

	"tickover/model"
)

const (
	defaultPresence = 15 * time.Minute
	defaultMissed   = 2
	leastCheckIn    = 10 * time.Second
	mostCheckIn     = 4 * time.Hour
)

// LoneWorker is the check-in timer of a person who works alone. The first missed
// check-in sounds the horn; after the configured number the targets are notified of
// the location. It is advisory and replaces no safety system. Its methods may be
// called from anywhere. Make one with NewLoneWorker.
type LoneWorker struct {
	to      model.CheckIn
	deliver func(Message, []string)
	record  func(text, who string) // to the timeline
	horn    *Horn
	now     func() model.Instant
	path    string
	log     *slog.Logger

	mu       sync.Mutex
	presence *model.Presence // nil while no one works alone
}

// NewLoneWorker makes the timer and continues one that ran when the program ended.
// deliver queues a message for the targets of these names, record writes to the
// timeline; horn may be nil.
func NewLoneWorker(to model.CheckIn, tell func(Message, []string), record func(text, who string),
	horn *Horn, now func() model.Instant, folder string, log *slog.Logger) *LoneWorker {
	if to.Every == 0 {
		to.Every = defaultPresence
	}
	if to.Missed == 0 {
		to.Missed = defaultMissed
	}
	a := &LoneWorker{to: to, deliver: tell, record: record, horn: horn, now: now,
		path: filepath.Join(folder, "check-in.json"), log: log}
	text, err := os.ReadFile(a.path)
	if err == nil {
		err = json.Unmarshal(text, &a.presence)
	}
	if err != nil && !errors.Is(err, os.ErrNotExist) {
		log.Error("check-in timer lost: start it again", "err", err)
	}
	if p := a.presence; p != nil && p.Signed.Boot != now().Boot {
		p.Signed = now() // when the last check-in was is not known: the time restarts
	}
	return a
}

// CheckIn is a person's check-in. The first starts the timer; every 0 means as
// before, or the configured time. It returns where the timer stands.
func (a *LoneWorker) CheckIn(who string, every time.Duration) (model.Presence, error) {
	if every != 0 && (every < leastCheckIn || every > mostCheckIn) {
		return model.Presence{}, fmt.Errorf("the check-in interval must be between %s and %s",
			model.Lasting(leastCheckIn), model.Lasting(mostCheckIn))
	}
	a.mu.Lock()
	defer a.mu.Unlock()
	fresh := a.presence == nil
	before := model.Presence{Every: a.to.Every}
	if !fresh {
		before = *a.presence
	}
	next := model.Presence{Who: who, Every: every, Signed: a.now()}
	if who == "" {
		next.Who = before.Who
	}
	if every == 0 {
		next.Every = before.Every
	}
	a.presence = &next
	a.clearMissed(before)
	if fresh {
		a.record(fmt.Sprintf("check-in timer started: check in every %s",
			model.Lasting(next.Every)), next.Who)
	}
	return next, a.save()
}

// End stops the timer: the person no longer works alone. It returns an error when the
// end is not on disk; the timer has ended all the same.
func (a *LoneWorker) End(who string) error {
	a.mu.Lock()
	defer a.mu.Unlock()
	if a.presence == nil {
		return nil
	}
	a.clearMissed(*a.presence)
	a.presence = nil
	a.record("check-in timer ended", who)
	return a.save()
}

// clearMissed takes back what missed check-ins caused.
func (a *LoneWorker) clearMissed(before model.Presence) {
	if before.Missed > 0 {
		a.sound(false)
		a.record("checked in after "+count(before.Missed, "missed check-in"), before.Who)
	}
	if before.Missed >= a.to.Missed {
		a.send(fmt.Sprintf("%s has checked in again", name(before.Who)), model.Information)
	}
}

// Presence returns the state of the timer; false while no one works alone.
func (a *LoneWorker) Presence() (model.Presence, bool) {
	a.mu.Lock()
	defer a.mu.Unlock()
	if a.presence == nil {
		return model.Presence{}, false
	}
	return *a.presence, true
}

// Run watches the time until the context ends.
func (a *LoneWorker) Run(ctx context.Context) {
	tick := time.NewTicker(time.Second)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
			a.look()
		}
	}
}

// look counts a check-in that did not come in time.
func (a *LoneWorker) look() {
	a.mu.Lock()
	defer a.mu.Unlock()
	p := a.presence
	if p == nil {
		return
	}
	late, same := a.now().Sub(p.Signed)
	if !same || late < time.Duration(p.Missed+1)*p.Every {
		return
	}
	p.Missed++
	a.sound(true)
	a.record(count(p.Missed, "check-in")+" missed", p.Who)
	if p.Missed >= a.to.Missed {
		place := ""
		if a.to.Place != "" {
			place = "; location: " + a.to.Place
		}
		a.send(fmt.Sprintf("%s works alone and has not checked in for %s (%s missed)%s",
			name(p.Who), model.Lasting(late.Round(time.Second)), count(p.Missed, "check-in"),
			place), model.Critical)
	}
	if err := a.save(); err != nil {
		a.log.Error("check-in timer not saved: it would be wrong after a restart", "err", err)
	}
}

func (a *LoneWorker) send(text string, p model.Priority) {
	now := a.now()
	a.deliver(Message{ID: fmt.Sprintf("%d-%d-check-in", now.Boot, now.Offset), Kind: checkInKind,
		At: now, Priority: p, Text: text}, a.to.To)
}

func (a *LoneWorker) sound(on bool) {
	if a.horn != nil {
		a.horn.ask("check-in", on)
	}
}

func (a *LoneWorker) save() error {
	if a.presence == nil {
		if err := os.Remove(a.path); err != nil && !errors.Is(err, os.ErrNotExist) {
			return fmt.Errorf("end the check-in timer: %w", err)
		}
		return nil
	}
	text, err := json.Marshal(a.presence)
	if err != nil {
		return err
	}
	return replace(a.path, text)
}

func name(who string) string {
	if who == "" {
		return "a person"
	}
	return who
}

func count(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}
