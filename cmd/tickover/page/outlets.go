package page

import (
	"context"
	"net/http"
	"time"

	"tickover/cmd/tickover/api"
	"tickover/model"
)

// outletTester answers about the outlets, through which readings and alarms go out.
type outletTester interface {
	// Health is the state of each outlet.
	Health() []model.OutletHealth
	// Test sends a test message to every target and waits for the results.
	Test(ctx context.Context, who string) []model.OutletTrial
}

// testLimit is how long a test may take.
const testLimit = 45 * time.Second

// outletRoutes adds what concerns outlets; without them it says that only a
// running daemon has any.
func (srv *server) outletRoutes(mux *http.ServeMux) {
	on := func(next http.HandlerFunc) http.HandlerFunc {
		return func(w http.ResponseWriter, r *http.Request) {
			if srv.Outlets == nil {
				refuse(w, http.StatusConflict, "no daemon runs on this state folder", "start it with tickover run; only the daemon sends anything out")
				return
			}
			next(w, r)
		}
	}
	mux.HandleFunc("GET /api/v1/outlets", on(srv.apiOutlets))
	mux.HandleFunc("POST /api/v1/outlets/test", srv.writing(largestBody, on(srv.testOutlets)))
	mux.HandleFunc("GET /api/v1/check-in", on(srv.apiPresence))
	mux.HandleFunc("POST /api/v1/check-in", srv.writing(largestBody, on(srv.sign)))
}

func (srv *server) apiOutlets(w http.ResponseWriter, _ *http.Request) {
	all := []api.Outlet{}
	for _, h := range srv.Outlets.Health() {
		if h.Dropped == nil {
			h.Dropped = map[string]uint64{}
		}
		all = append(all, api.Outlet{Name: h.Name, Kind: h.Kind, Trouble: h.Trouble, Hint: h.Hint, Sent: h.Sent, Fails: h.Failures, Dropped: h.Dropped, Pending: h.Pending, Lag: h.Lag.Seconds()})
	}
	send(w, all)
}

// testOutlets answers when every way was tried; 200 also when some failed.
func (srv *server) testOutlets(w http.ResponseWriter, r *http.Request) {
	who, err := text(r, "who", 80)
	if err != nil {
		srv.fail(w, r, err)
		return
	}
	_ = http.NewResponseController(w).SetWriteDeadline(time.Now().Add(testLimit + 5*time.Second)) // not every writer has one
	ctx, cancel := context.WithTimeout(r.Context(), testLimit)
	defer cancel()
	all := []api.OutletTrial{}
	for _, t := range srv.Outlets.Test(ctx, who) {
		one := api.OutletTrial{Name: t.Name, Kind: t.Kind, Taken: t.Err == nil, Took: t.Took.Seconds()}
		if t.Err != nil {
			one.Error, one.Hint = t.Err.Error(), model.HintOf(t.Err)
		}
		all = append(all, one)
	}
	send(w, all)
}
