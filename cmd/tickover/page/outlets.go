package page

import (
	"context"
	"net/http"
	"time"

	"tickover/model"
)

// Outlets are where readings and alarms go, as the API sees them. Every method
// may be called at any time from any goroutine.
type Outlets interface {
	// Health is how each outlet fares.
	Health() []model.OutletHealth
	// Test sends a test message every way there is and waits.
	Test(ctx context.Context, who string) []model.OutletTrial
	// Sign is a sign of somebody who works alone; every 0 means as before.
	Sign(who string, every time.Duration) (model.Presence, error)
	// EndSigns ends the timer.
	EndSigns(who string) error
	// Presence is where the timer stands; false while nobody is alone.
	Presence() (model.Presence, bool)
	// CheckIn is the timer as it is configured.
	CheckIn() model.CheckIn
}

// testLimit is how long a test may take.
const testLimit = 45 * time.Second

// outletRoutes adds what concerns outlets; without them it says that only a
// running daemon has any.
func (f *face) outletRoutes(mux *http.ServeMux) {
	on := func(next http.HandlerFunc) http.HandlerFunc {
		return func(w http.ResponseWriter, r *http.Request) {
			if f.opts.Outlets == nil {
				refuse(w, http.StatusConflict, "no daemon runs on this state folder", "start it with tickover run; only the daemon sends anything out")
				return
			}
			next(w, r)
		}
	}
	mux.HandleFunc("GET /api/v1/outlets", on(f.apiOutlets))
	mux.HandleFunc("POST /api/v1/outlets/test", f.writing(largestBody, on(f.testOutlets)))
	mux.HandleFunc("GET /api/v1/check-in", on(f.apiPresence))
	mux.HandleFunc("POST /api/v1/check-in", f.writing(largestBody, on(f.sign)))
}

type wireOutlet struct {
	Name    string            `json:"name"`
	Kind    string            `json:"kind"`
	Trouble string            `json:"trouble"`
	Hint    string            `json:"hint"`
	Sent    uint64            `json:"sent"`
	Fails   uint64            `json:"failures"`
	Dropped map[string]uint64 `json:"dropped"`
	Pending uint64            `json:"pending"`
	Lag     float64           `json:"lag_seconds"`
}

func (f *face) apiOutlets(w http.ResponseWriter, _ *http.Request) {
	all := []wireOutlet{}
	for _, h := range f.opts.Outlets.Health() {
		if h.Dropped == nil {
			h.Dropped = map[string]uint64{}
		}
		all = append(all, wireOutlet{h.Name, h.Kind, h.Trouble, h.Hint, h.Sent, h.Failures, h.Dropped, h.Pending, h.Lag.Seconds()})
	}
	send(w, all)
}

type wireTrial struct {
	Name  string  `json:"name"`
	Kind  string  `json:"kind"`
	Taken bool    `json:"taken"`
	Took  float64 `json:"took_seconds"`
	Error string  `json:"error"`
	Hint  string  `json:"hint"`
}

// testOutlets answers when every way was tried; 200 also when some failed.
func (f *face) testOutlets(w http.ResponseWriter, r *http.Request) {
	who, err := text(r, "who", 80)
	if err != nil {
		f.fail(w, r, err)
		return
	}
	_ = http.NewResponseController(w).SetWriteDeadline(time.Now().Add(testLimit + 5*time.Second)) // not every writer has one
	ctx, cancel := context.WithTimeout(r.Context(), testLimit)
	defer cancel()
	all := []wireTrial{}
	for _, t := range f.opts.Outlets.Test(ctx, who) {
		one := wireTrial{Name: t.Name, Kind: t.Kind, Taken: t.Err == nil, Took: t.Took.Seconds()}
		if t.Err != nil {
			one.Error, one.Hint = t.Err.Error(), model.HintOf(t.Err)
		}
		all = append(all, one)
	}
	send(w, all)
}
