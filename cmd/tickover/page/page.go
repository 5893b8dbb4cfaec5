// Package page serves the telephone page and the local API. It reads from a
// Source and writes to it only what a person said: acknowledgements and notes.
//
// The handler may be used by any number of requests at once. It keeps no
// goroutine of its own; a stream lives in its request.
package page

import (
	"context"
	"io"
	"iter"
	"log/slog"
	"net/http"
	"sync"
	"time"

	"tickover/cmd/tickover/api"
	"tickover/model"
)

// Source is the daemon as the page sees it. Every method may be called at any
// time from any goroutine.
type Source interface {
	// Latest returns what is known now; nil before the first scan.
	Latest() *model.Snapshot
	// Setup returns the configuration in force.
	Setup() model.Setup
	// Runs lists the runs kept, in order.
	Runs(context.Context) ([]model.Run, error)
	// Report writes a run's report; format is "html", "json" or "text", run an
	// ID or "last".
	Report(ctx context.Context, w io.Writer, run, format string) error
	// Bundle writes a run's report, readings, configuration and photos as one
	// zip file.
	Bundle(ctx context.Context, w io.Writer, run string) error
	// Events yields what happened, in order of the store.
	Events(context.Context, model.Query) iter.Seq2[model.Event, error]
	// Export writes the samples asked for.
	Export(ctx context.Context, w io.Writer, q model.Query, as api.Form) error
	// Backup writes a copy of the store, of one run when an ID or "last" is
	// given.
	Backup(ctx context.Context, w io.Writer, run string) error
	// Verify checks the store and writes lines of JSON: how far it has come,
	// at last what was found.
	Verify(ctx context.Context, w io.Writer) error
	// AlarmStats tells how alarms fared over everything on record.
	AlarmStats(context.Context) (model.AlarmStats, error)
	// Dangers says which instruments of the set see which danger, gravest first.
	Dangers() []model.Danger
	// BlackBoxes lists the stretches kept for ever, oldest first, with nothing
	// counted.
	BlackBoxes(context.Context) ([]model.BlackBox, error)
	// CountBlackBox reads one and notes what is in it and what it lacks.
	CountBlackBox(context.Context, *model.BlackBox) error
	// Act does to an alarm what a person wants.
	Act(ctx context.Context, act model.AlarmAct) error
	// Readings hands to take, in order of time for each point, what a drawing
	// needs whose columns are so wide: samples, or the lowest and the highest
	// of longer stretches, whose length it returns; 0 for samples.
	Readings(ctx context.Context, q model.Query, width time.Duration, take func(*model.Scan)) (time.Duration, error)
	// Steps finds the load steps within a span.
	Steps(ctx context.Context, q model.Query) ([]model.Instant, error)
	// Say keeps what a person says and returns the event's number.
	Say(context.Context, api.Note) (uint64, error)
	// Photo returns a picture that was kept with words.
	Photo(ctx context.Context, number uint64) ([]byte, error)
	// SetTime takes a person's word for the time of day.
	SetTime(ctx context.Context, now time.Time, who string) error
	// Changed returns a channel that is closed when the next snapshot is
	// there; nil means never.
	Changed() <-chan struct{}
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
	// Log receives what could not be told to the reader; nil means nowhere.
	Log *slog.Logger
	// Now tells the moment on the clock that instants are on. Nil counts on
	// from the moment the handler first met the snapshot.
	Now func() model.Instant
	// Outlets are where readings and alarms go; nil without a daemon.
	Outlets Outlets
}

// face is the handler's state.
type face struct {
	entrance
	src     Source
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
func New(src Source, opts Options) http.Handler {
	f := &face{src: src, opts: opts, log: opts.Log, entrance: newEntrance(), streams: seats{most: mostStreams, share: streamsShare},
		heavy: newTurnstile(mostHeavy, mostWaiting, waitingShare), reports: newTurnstile(mostReports, mostWaiting, waitingShare), exports: newTurnstile(mostExports, mostExports, exportsShare)}
	if f.log == nil {
		f.log = slog.New(slog.DiscardHandler)
	}
	mux := http.NewServeMux()
	mux.HandleFunc("GET /{$}", f.now)
	mux.HandleFunc("GET /alarms", f.alarms)
	mux.HandleFunc("GET /next", f.next)
	mux.HandleFunc("GET /trends", f.trends)
	mux.HandleFunc("GET /timeline", f.timeline)
	mux.HandleFunc("GET /runs", f.runs)
	mux.HandleFunc("GET /runs/{id}", f.runPage)
	mux.HandleFunc("GET /runs/{id}/report", f.runReport)
	mux.HandleFunc("GET /runs/{id}/compare/{other}", f.comparePage)
	mux.HandleFunc("GET /api/v1/now", f.apiNow)
	mux.HandleFunc("GET /api/v1/stream", f.apiStream)
	mux.HandleFunc("GET /api/v1/runs", f.apiRuns)
	mux.HandleFunc("GET /api/v1/runs/{id}/report", f.apiReport)
	mux.HandleFunc("GET /api/v1/runs/{id}/compare/{other}", f.apiCompare)
	mux.HandleFunc("GET /api/v1/runs/{id}/bundle", f.apiBundle)
	mux.HandleFunc("GET /api/v1/events", f.apiEvents)
	mux.HandleFunc("GET /api/v1/trends", f.apiTrends)
	mux.HandleFunc("GET /api/v1/alarms", f.apiAlarms)
	mux.HandleFunc("GET /api/v1/alarms/stats", f.apiAlarmStats)
	mux.HandleFunc("GET /api/v1/dangers", f.apiDangers)
	mux.HandleFunc("GET /api/v1/boxes", f.apiBoxes)
	mux.HandleFunc("GET /api/v1/lines", f.apiLines)
	mux.HandleFunc("GET /api/v1/export", f.apiExport)
	mux.HandleFunc("GET /api/v1/photos/{number}", f.apiPhoto)
	mux.HandleFunc("POST /api/v1/alarms/{rule}/{act}", f.writing(largestBody, f.act))
	mux.HandleFunc("POST /api/v1/notes", f.writing(largestSaying, f.note))
	mux.HandleFunc("POST /api/v1/backup", f.writing(largestBody, f.backup))
	mux.HandleFunc("POST /api/v1/verify", f.writing(largestBody, f.verify))
	mux.HandleFunc("POST /api/v1/remarks", f.writing(largestSaying, f.remark))
	mux.HandleFunc("POST /api/v1/clock", f.writing(largestBody, f.setTime))
	mux.HandleFunc("GET /api/v1/openapi.yaml", apiDescription)
	f.outletRoutes(mux)
	f.benchRoutes(mux)
	mux.HandleFunc("/api/", func(w http.ResponseWriter, r *http.Request) {
		if allowed := methods(mux, r, "/api/"); len(allowed) > 0 {
			wrongMethod(w, r, allowed...)
			return
		}
		refuse(w, http.StatusNotFound, "there is no such address", "see /api/v1/now, /api/v1/runs, /api/v1/events, /api/v1/alarms, /api/v1/lines, /api/v1/export")
	})
	return Guarded(mux)
}

// moment is now on the clock of instants.
func (f *face) moment(snap *model.Snapshot) model.Instant {
	if f.opts.Now != nil {
		return f.opts.Now()
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.newest != snap {
		f.newest, f.met = snap, time.Now()
	}
	return snap.At.Add(time.Since(f.met))
}
