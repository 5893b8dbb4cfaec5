// Package page serves the phone page and the local API. It reads through its
// Parts and writes only what a person enters: acknowledgements, notes,
// measurements, check-ins and the time of day.
//
// The handler may be used by any number of requests at once. It keeps no
// goroutine of its own; a stream lives in its request.
package page

import (
	"log/slog"
	"net/http"
	"sync"
	"time"

	"tickover/model"
)

// Parts are what the page asks and acts on, each declared where it is used. Every
// method of every part may be called at any time from any goroutine.
type Parts struct {
	Live         liveData
	Runs         runReader
	Timeline     eventReader
	Boxes        boxReader
	Alarms       alarmKeeper
	Trends       trendReader
	Files        fileWriter
	Notes        noteKeeper
	Measurements measurementKeeper
	Wiring       wiringChecker
	Outlets      outletTester // nil without a daemon
	CheckIns     checkInTimer // nil without a daemon
}

// Options of the handler. The zero value serves reading only.
type Options struct {
	// Token must come with everything that writes, as "Authorization: Bearer"
	// or as the form field "token". Empty means that nobody may write.
	Token string
	// TrustLocal lets everybody write who reaches the handler; for the Unix
	// socket in the state folder only.
	TrustLocal bool
	// Version of the program, shown at the foot.
	Version string
	// Log receives the cause of answers that failed; nil means nowhere.
	Log *slog.Logger
	// Now returns the moment on the clock of instants. Nil counts on from the
	// moment the handler first saw the snapshot.
	Now func() model.Instant
}

// server is the handler's state.
type server struct {
	Parts
	requestGuard
	opts    Options
	log     *slog.Logger
	seen    seenKeys
	heavy   *turnstile // of requests that read much
	reports *turnstile // of reports, from their making until they are taken
	exports *turnstile // of answers that are streamed, from begin to end
	streams seats      // of open streams

	drawings drawn

	mu      sync.Mutex
	newest  *model.Snapshot // the snapshot met last and when it was first met
	met     time.Time
	parts   map[drawKey]fragments // drawn for the newest snapshot and second
	partsAt drawMoment
}

// How many requests may read much (reports, exports, bundles) at once, how many
// further ones wait, and how many of one address do either.
const (
	mostHeavy    = 2
	mostWaiting  = 24
	waitingShare = 20
)

// New returns the handler of the page and the API.
func New(parts Parts, opts Options) http.Handler {
	srv := &server{Parts: parts, opts: opts, log: opts.Log, requestGuard: newRequestGuard(),
		streams: seats{most: mostStreams, share: streamsShare},
		heavy:   newTurnstile(mostHeavy, mostWaiting, waitingShare),
		reports: newTurnstile(mostReports, mostWaiting, waitingShare),
		exports: newTurnstile(mostExports, mostExports, exportsShare)}
	if srv.log == nil {
		srv.log = slog.New(slog.DiscardHandler)
	}
	mux := http.NewServeMux()
	srv.pageRoutes(mux)
	srv.apiRoutes(mux)
	srv.outletRoutes(mux)
	srv.measurementRoutes(mux)
	mux.HandleFunc("/api/", func(w http.ResponseWriter, r *http.Request) {
		if allowed := methods(mux, r, "/api/"); len(allowed) > 0 {
			wrongMethod(w, r, allowed...)
			return
		}
		refuse(w, http.StatusNotFound, "no such address",
			"see /api/v1/now, /api/v1/runs, /api/v1/events, /api/v1/alarms, /api/v1/lines, /api/v1/export")
	})
	return Guarded(mux)
}

func (srv *server) pageRoutes(mux *http.ServeMux) {
	mux.HandleFunc("GET /{$}", srv.now)
	mux.HandleFunc("GET /alarms", srv.alarms)
	mux.HandleFunc("GET /next", srv.next)
	mux.HandleFunc("GET /trends", srv.trends)
	mux.HandleFunc("GET /timeline", srv.timeline)
	mux.HandleFunc("GET /runs", srv.runs)
	mux.HandleFunc("GET /runs/{id}", srv.runPage)
	mux.HandleFunc("GET /runs/{id}/report", srv.runReport)
	mux.HandleFunc("GET /runs/{id}/compare/{other}", srv.comparePage)
}

func (srv *server) apiRoutes(mux *http.ServeMux) {
	mux.HandleFunc("GET /api/v1/now", srv.apiNow)
	mux.HandleFunc("GET /api/v1/stream", srv.apiStream)
	mux.HandleFunc("GET /api/v1/runs", srv.apiRuns)
	mux.HandleFunc("GET /api/v1/runs/{id}/report", srv.apiReport)
	mux.HandleFunc("GET /api/v1/runs/{id}/compare/{other}", srv.apiCompare)
	mux.HandleFunc("GET /api/v1/runs/{id}/bundle", srv.apiBundle)
	mux.HandleFunc("GET /api/v1/events", srv.apiEvents)
	mux.HandleFunc("GET /api/v1/trends", srv.apiTrends)
	mux.HandleFunc("GET /api/v1/alarms", srv.apiAlarms)
	mux.HandleFunc("GET /api/v1/alarms/stats", srv.apiAlarmStats)
	mux.HandleFunc("GET /api/v1/dangers", srv.apiDangers)
	mux.HandleFunc("GET /api/v1/boxes", srv.apiBoxes)
	mux.HandleFunc("GET /api/v1/lines", srv.apiLines)
	mux.HandleFunc("GET /api/v1/export", srv.apiExport)
	mux.HandleFunc("GET /api/v1/photos/{number}", srv.apiPhoto)
	mux.HandleFunc("POST /api/v1/alarms/{rule}/{act}", srv.writing(largestBody, srv.act))
	mux.HandleFunc("POST /api/v1/notes", srv.writing(largestNote, srv.note))
	mux.HandleFunc("POST /api/v1/backup", srv.writing(largestBody, srv.backup))
	mux.HandleFunc("POST /api/v1/verify", srv.writing(largestBody, srv.verify))
	mux.HandleFunc("POST /api/v1/remarks", srv.writing(largestNote, srv.remark))
	mux.HandleFunc("POST /api/v1/clock", srv.writing(largestBody, srv.setTime))
	mux.HandleFunc("GET /api/v1/openapi.yaml", apiDescription)
}

// moment is now on the clock of instants.
func (srv *server) moment(snap *model.Snapshot) model.Instant {
	if srv.opts.Now != nil {
		return srv.opts.Now()
	}
	srv.mu.Lock()
	defer srv.mu.Unlock()
	if srv.newest != snap {
		srv.newest, srv.met = snap, time.Now()
	}
	return snap.At.Add(time.Since(srv.met))
}
