package notify

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"sync"
	"time"

	"tickover/model"
)

const (
	beatEvery = time.Minute
	// beatFresh is the greatest age of the newest scan for a heartbeat.
	beatFresh = 30 * time.Second
)

// Heartbeat sends a heartbeat while scans come in, so that its receiver notices when
// they stop. Make one with NewHeartbeat.
type Heartbeat struct {
	to     model.Heartbeat
	client *http.Client
	latest func() *model.Snapshot
	now    func() model.Instant
	set    string
	log    *slog.Logger

	mu     sync.Mutex
	health model.OutletHealth
}

// NewHeartbeat makes a heartbeat; set is the name of the set.
func NewHeartbeat(to model.Heartbeat, c *http.Client, set string, latest func() *model.Snapshot,
	now func() model.Instant, log *slog.Logger) *Heartbeat {
	if to.Every == 0 {
		to.Every = beatEvery
	}
	return &Heartbeat{to: to, client: c, latest: latest, now: now, set: set, log: log,
		health: model.OutletHealth{Name: "heartbeat", Kind: "heartbeat"}}
}

// Run sends heartbeats until the context ends.
func (h *Heartbeat) Run(ctx context.Context) {
	for ctx.Err() == nil {
		err := h.Beat(ctx)
		if ctx.Err() != nil {
			return
		}
		h.mu.Lock()
		before := h.health.Trouble
		note(&h.health, err)
		if err == nil {
			h.health.Sent++
		}
		h.mu.Unlock()
		logChange(h.log, before, err)
		sleep(ctx, h.to.Every)
	}
}

var errNoScans = &model.Fault{Err: errors.New("no readings come in, so no heartbeat is sent"),
	Hint: "check the lines and their devices"}

// Beat sends one heartbeat. It returns an error when no scan is fresh, and the errors of
// the request.
func (h *Heartbeat) Beat(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, sendLimit)
	defer cancel()
	s := h.latest()
	if age, same := h.now().Sub(s.At); !same || age > beatFresh {
		return errNoScans
	}
	active, awaiting := 0, 0
	for _, a := range s.Alarms {
		if a.State.Active() {
			active++
		}
		if a.State.AwaitsPerson() {
			awaiting++
		}
	}
	body, err := json.Marshal(map[string]any{"set": h.set, "engine": s.State.String(),
		"alarms_active":   active,
		"alarms_awaiting": awaiting, "simulated": s.Simulated,
		"every_seconds": h.to.Every.Seconds()})
	if err != nil {
		return fmt.Errorf("encode the heartbeat: %w", err)
	}
	_, err = postJSON(ctx, h.client, h.to.URL, body, nil)
	return err
}

// Health returns the state of the heartbeat.
func (h *Heartbeat) Health() model.OutletHealth {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.health
}
