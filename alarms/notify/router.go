package notify

import (
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"net/http"
	"strings"
	"sync"
	"time"

	"tickover/model"
)

const (
	routerEvery = time.Minute
	// routerExpiry ends an alarm in Alertmanager that is not sent again: when this
	// program ends, its alarms end by themselves.
	routerExpiry = 4 * time.Minute
	endRepeats   = 3 // times that an end is sent
)

// Router sends active alarms to an Alertmanager by its API version 2. It sends states,
// not messages: an alarm that came and went while the server was away is not sent.
// Make one with NewRouter.
type Router struct {
	target  model.Target
	least   model.Priority
	client  *http.Client
	latest  func() *model.Snapshot
	changed func() <-chan struct{}
	now     func() model.Instant
	labels  map[string]string
	points  map[model.PointID]model.Point
	log     *slog.Logger
	ending  map[string]int // by rule: how often its end must still be sent
	sent    map[string]alert

	mu     sync.Mutex
	health model.OutletHealth
}

// NewRouter makes a router for alarms of a priority and above. changed gives
// a channel that is closed at the next snapshot.
func NewRouter(t model.Target, least model.Priority, c *http.Client, setup model.Setup,
	latest func() *model.Snapshot, changed func() <-chan struct{}, now func() model.Instant,
	log *slog.Logger) *Router {
	labels := map[string]string{"job": "tickover"}
	for k, v := range map[string]string{"instance": setup.Rating.Name, "site": setup.Rating.Site} {
		if v != "" {
			labels[k] = v
		}
	}
	if setup.Simulated {
		labels["simulated"] = "yes"
	}
	return &Router{target: t, least: least, client: c, latest: latest, changed: changed, now: now,
		labels: labels, points: setup.Points(), log: log.With("target", t.Name),
		ending: map[string]int{}, sent: map[string]alert{},
		health: model.OutletHealth{Name: t.Name, Kind: t.Kind.String()}}
}

// alert is one alarm as Alertmanager's API version 2 takes it.
type alert struct {
	Labels      map[string]string `json:"labels"`
	Annotations map[string]string `json:"annotations"`
	StartsAt    *time.Time        `json:"startsAt,omitempty"`
	EndsAt      time.Time         `json:"endsAt"`
}

// Run sends every minute, and at once when an alarm begins or ends.
func (r *Router) Run(ctx context.Context) {
	var last time.Time
	before := ""
	pause := shortestWait
	for ctx.Err() == nil {
		changed := r.changed()
		standing := r.active()
		if standing != before || time.Since(last) >= routerEvery {
			err := r.sendAll(ctx)
			if ctx.Err() == nil {
				r.report(err)
			}
			if err != nil {
				sleep(ctx, pause)
				pause = min(2*pause, routerEvery)
				continue
			}
			before, last, pause = standing, time.Now(), shortestWait
		}
		timer := time.NewTimer(routerEvery / 4)
		select {
		case <-ctx.Done():
		case <-timer.C:
		case <-changed:
		}
		timer.Stop()
	}
}

// active lists the active alarms, to detect a change.
func (r *Router) active() string {
	var b strings.Builder
	for _, a := range r.latest().Alarms {
		if r.sends(a) {
			b.WriteString(a.Rule.ID + "\n")
		}
	}
	return b.String()
}

func (r *Router) sends(a model.AlarmStatus) bool {
	return a.State.Active() && a.Rule.Priority >= r.least
}

// sendAll sends all active alarms and those that have just ended.
func (r *Router) sendAll(ctx context.Context) error {
	return r.post(ctx, r.alerts(time.Now(), r.latest()))
}

// alerts expire by this computer's clock. Their start is given only when it is known
// on the same clock.
func (r *Router) alerts(now time.Time, snapshot *model.Snapshot) []alert {
	all := []alert{}
	stands := map[string]bool{}
	for _, a := range snapshot.Alarms {
		if !r.sends(a) {
			continue
		}
		stands[a.Rule.ID] = true
		one := r.alert(now, a, snapshot.Clock)
		r.sent[a.Rule.ID], r.ending[a.Rule.ID] = one, endRepeats
		all = append(all, one)
	}
	for rule, one := range r.sent {
		if stands[rule] {
			continue
		}
		one.EndsAt = now
		all = append(all, one)
		if r.ending[rule]--; r.ending[rule] <= 0 {
			delete(r.sent, rule)
		}
	}
	return all
}

func (r *Router) alert(now time.Time, a model.AlarmStatus, clock model.Clock) alert {
	labels := map[string]string{"alertname": a.Rule.ID, "severity": a.Rule.Priority.String()}
	for k, v := range r.labels {
		labels[k] = v
	}
	one := alert{Labels: labels, EndsAt: now.Add(routerExpiry).UTC(),
		Annotations: map[string]string{
			"summary": a.Rule.Label, "state": a.State.String(), "advice": model.Advisory}}
	q := model.QuantityOf(a.Rule.Point, r.points)
	one.Annotations["description"] = a.Text(q, clock, r.now())
	if a.State.Lasts() {
		one.Annotations["action"] = a.Rule.Action
	}
	if a.Quality == model.Good && a.Rule.Kind != model.DeviceLost &&
		a.Rule.Kind != model.PointFailed {
		one.Annotations["value"] = a.Rule.Measures(q).ShowWithUnit(a.Value)
	}
	if since, same := r.now().Sub(a.Raised); same {
		began := now.Add(-since).UTC()
		one.StartsAt = &began
	}
	return one
}

func (r *Router) post(ctx context.Context, all []alert) error {
	ctx, cancel := context.WithTimeout(ctx, sendLimit)
	defer cancel()
	body, err := json.Marshal(all)
	if err != nil {
		return fmt.Errorf("encode the alarms: %w", err)
	}
	_, err = postJSON(ctx, r.client, strings.TrimSuffix(r.target.URL, "/")+"/api/v2/alerts", body,
		nil)
	if err == nil {
		r.mu.Lock()
		r.health.Sent += uint64(len(all))
		r.mu.Unlock()
	}
	return err
}

func (r *Router) report(err error) {
	r.mu.Lock()
	before := r.health.Trouble
	note(&r.health, err)
	r.mu.Unlock()
	logChange(r.log, before, err)
}

// Test sends an alarm that is a test and ends by itself within a minute.
func (r *Router) Test(ctx context.Context) model.OutletTrial {
	begin := time.Now()
	labels := map[string]string{"alertname": "tickover.test",
		"severity": model.Information.String()}
	for k, v := range r.labels {
		labels[k] = v
	}
	err := r.post(ctx, []alert{{Labels: labels, EndsAt: begin.Add(time.Minute).UTC(),
		Annotations: map[string]string{"summary": "test notification, no alarm",
			"advice": model.Advisory}}})
	return model.OutletTrial{Name: r.target.Name, Kind: r.target.Kind.String(),
		Took: time.Since(begin), Err: err}
}

// Health returns the state of the server.
func (r *Router) Health() model.OutletHealth {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.health
}
