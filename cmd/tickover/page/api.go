package page

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"io"
	"log/slog"
	"net/http"
	"net/url"
	"time"

	"tickover/cmd/tickover/api"
	"tickover/model"
)

// fileWriter writes what is on record in the formats that programs read. A
// run is an ID or "last".
type fileWriter interface {
	// Export writes the samples asked for.
	Export(ctx context.Context, w io.Writer, q model.Query, as api.Form) error
	// Bundle writes a run's report, readings, configuration and photos as one
	// zip file.
	Bundle(ctx context.Context, w io.Writer, run string) error
	// Backup writes a copy of the store; of one run when a run is given.
	Backup(ctx context.Context, w io.Writer, run string) error
	// Verify checks the store and writes lines of JSON: its progress, and at
	// last what it found.
	Verify(ctx context.Context, w io.Writer) error
}

func (srv *server) clock() model.Clock {
	if snap := srv.Live.Latest(); snap != nil {
		return snap.Clock
	}
	return model.Clock{}
}

// latest answers that nothing is known yet when there is no snapshot.
func (srv *server) latest(w http.ResponseWriter) *model.Snapshot {
	snap := srv.Live.Latest()
	if snap == nil {
		w.Header().Set("Retry-After", "1")
		refuse(w, http.StatusServiceUnavailable, "no reading yet", "try again in a second")
	}
	return snap
}

func (srv *server) apiNow(w http.ResponseWriter, _ *http.Request) {
	if snap := srv.latest(w); snap != nil {
		send(w, srv.wireNow(snap))
	}
}

func (srv *server) wireNow(snap *model.Snapshot) api.Now {
	now := srv.moment(snap)
	_, source := snap.Clock.Wall(snap.At)
	out := api.Now{At: wall(snap.Clock, snap.At), Instant: snap.At.String(), Simulated: snap.Simulated, Clock: source.String(),
		Engine: api.Engine{State: snap.State.String(), For: seconds(now, snap.Since)}, Points: map[model.PointID]api.Point{}, Alarms: []api.Alarm{},
		Devices: []api.Device{}, Store: api.Store{Degraded: snap.Store.Degraded, Bytes: snap.Store.Bytes, Lost: snap.Store.Lost, LostEvents: snap.Store.LostEvents}, Next: nextOf(snap.Ready)}
	if age := seconds(now, snap.At); age != nil {
		out.Age = *age
	}
	g := srv.readout(snap, now)
	for id, r := range snap.Readings {
		out.Points[id] = g.wire(id, r)
	}
	for _, a := range snap.Alarms {
		out.Alarms = append(out.Alarms, alarmOf(a, g.quantity(a.Rule.Point), snap.Clock, now))
	}
	for _, d := range snap.Devices {
		out.Devices = append(out.Devices, api.Device{Name: d.Name, Line: d.Line, Unit: d.Unit, Up: d.Up, Trouble: d.Trouble})
	}
	return out
}

func (srv *server) apiAlarms(w http.ResponseWriter, _ *http.Request) {
	snap := srv.latest(w)
	if snap == nil {
		return
	}
	out, g := []api.Alarm{}, srv.readout(snap, srv.moment(snap))
	for _, a := range snap.Alarms {
		out = append(out, alarmOf(a, g.quantity(a.Rule.Point), snap.Clock, g.now))
	}
	send(w, out)
}

// contentTypes of the report's formats.
var contentTypes = map[string]string{"html": "text/html; charset=utf-8", "json": "application/json; charset=utf-8", "text": "text/plain; charset=utf-8"}

func (srv *server) apiReport(w http.ResponseWriter, r *http.Request) {
	format := r.URL.Query().Get("format")
	if format == "" {
		format = "json"
	}
	if contentTypes[format] == "" {
		refuse(w, http.StatusBadRequest, "there is no such format", "format is html, json or text")
		return
	}
	srv.report(w, r, format)
}

func (srv *server) runReport(w http.ResponseWriter, r *http.Request) { srv.report(w, r, "html") }

// report answers with a run's report. It is drawn up whole before the first
// byte leaves, so that one that fails half-way is an error and not half a
// report, and a slow reader holds no transaction of the store. How many are held
// in memory until they are taken is bounded.
func (srv *server) report(w http.ResponseWriter, r *http.Request, format string) {
	run, err := srv.run(r, r.PathValue("id"))
	if err != nil {
		srv.fail(w, r, err)
		return
	}
	taking, err := srv.reports.enter(r.Context(), remote(r), heavyPatience)
	if err != nil {
		srv.fail(w, r, busy(err))
		return
	}
	defer taking.leave()
	turn := srv.enter(w, r)
	if turn == nil {
		return
	}
	var b bytes.Buffer
	err = srv.Runs.Report(r.Context(), &b, run.ID, format)
	turn.leave()
	if err != nil {
		srv.fail(w, r, err)
		return
	}
	beginPatience(w) // making it may have taken long on a small board
	if format == "html" {
		w.Header().Set("Content-Security-Policy", reportPolicy(b.String()))
		sendHTML(w, r, b.Bytes())
		return
	}
	w.Header().Set("Content-Type", contentTypes[format])
	_, _ = w.Write(b.Bytes()) // the reader may be gone
}

// exportTypes of the formats.
var exportTypes = map[string]string{"csv": "text/csv; charset=utf-8", "openmetrics": "application/openmetrics-text; version=1.0.0; charset=utf-8"}

// apiExport streams samples. One that fails half-way is cut off, so that the
// reader notices.
func (srv *server) apiExport(w http.ResponseWriter, r *http.Request) {
	in := r.URL.Query()
	as := api.Form{Format: cmp.Or(in.Get("format"), "csv"), Minutes: in.Get("every") == "1m", Lags: in.Get("lags") == "1"}
	known := exportTypes[as.Format] != "" && (in.Get("every") == "" || as.Minutes) && (in.Get("lags") == "" || as.Lags)
	if !known || (as.Minutes || as.Lags) && as.Format != "csv" || as.Minutes && as.Lags {
		refuse(w, http.StatusBadRequest, "there is no such format", "format is csv or openmetrics; for csv only, every is 1m or lags is 1")
		return
	}
	q, err := srv.question(r)
	if err != nil {
		srv.fail(w, r, err)
		return
	}
	srv.stream(w, r, exportTypes[as.Format], func(out io.Writer) error { return srv.Files.Export(r.Context(), out, q, as) })
}

// backup streams a copy of the store.
func (srv *server) backup(w http.ResponseWriter, r *http.Request) {
	run := r.PostForm.Get("run")
	if run != "" {
		found, err := srv.run(r, run)
		if err != nil {
			srv.fail(w, r, err)
			return
		}
		run = found.ID
	}
	srv.stream(w, r, "application/octet-stream", func(out io.Writer) error { return srv.Files.Backup(r.Context(), out, run) })
}

// verify streams how the store's check goes. It changes nothing but takes much
// reading, so it is asked for like a backup.
func (srv *server) verify(w http.ResponseWriter, r *http.Request) {
	srv.stream(w, r, "application/x-ndjson", func(out io.Writer) error { return srv.Files.Verify(r.Context(), out) })
}

// apiBundle streams everything about one run as one zip file.
func (srv *server) apiBundle(w http.ResponseWriter, r *http.Request) {
	run, err := srv.run(r, r.PathValue("id"))
	if err != nil {
		srv.fail(w, r, err)
		return
	}
	w.Header().Set("Content-Disposition", `attachment; filename="run`+url.PathEscape(run.ID)+`.zip"`)
	srv.stream(w, r, "application/zip", func(out io.Writer) error { return srv.Files.Bundle(r.Context(), out, run.ID) })
}

// Bounds of requests that read much: how long one waits for its turn, how long
// one that has begun waits until it may go on, how many reports are held in
// memory until they are taken, and how many streamed answers (exports, bundles,
// backups) go on at once, in all and to one address.
const (
	heavyPatience = 30 * time.Second
	goOnPatience  = 2 * time.Minute
	mostReports   = 8
	mostExports   = 8
	exportsShare  = 4
)

// turn waits until a request that reads much may begin; who gets it leaves it.
// Many at once would take the processor from those who poll.
func (srv *server) turn(ctx context.Context) (*turn, error) {
	t, err := srv.heavy.enter(ctx, sender(ctx), heavyPatience)
	return t, busy(err)
}

// busy says in words that no turn came.
func busy(err error) error {
	if errors.Is(err, errNoTurn) {
		return &badQuestion{http.StatusServiceUnavailable, "too many reports, plots and exports are being made", "ask again in a moment"}
	}
	return err
}

// enter is turn for those who answer by themselves; nil when none came.
func (srv *server) enter(w http.ResponseWriter, r *http.Request) *turn {
	t, err := srv.turn(r.Context())
	if err != nil {
		srv.fail(w, r, err)
		return nil
	}
	return t
}

// stream answers with what write writes.
func (srv *server) stream(w http.ResponseWriter, r *http.Request, kind string, write func(io.Writer) error) {
	streaming, err := srv.exports.enter(r.Context(), remote(r), heavyPatience)
	if err != nil {
		srv.fail(w, r, busy(err))
		return
	}
	defer streaming.leave()
	turn := srv.enter(w, r)
	if turn == nil {
		return
	}
	defer turn.leave()
	out := &taken{ResponseWriter: w, turn: turn, ctx: r.Context()}
	w.Header().Set("Content-Type", kind)
	if kind == exportTypes["csv"] {
		w.Header().Set("Content-Disposition", `attachment; filename="tickover.csv"`)
	}
	err = write(out)
	switch {
	case err == nil:
	case out.any:
		level := slog.LevelError
		if out.gone || r.Context().Err() != nil { // strangers who leave must not fill the log
			level = slog.LevelDebug
		}
		srv.log.Log(r.Context(), level, "answer cut off", "path", r.URL.Path, "err", err)
		if local, ok := w.(interface{ CutOff(error) }); ok {
			local.CutOff(err)
			return
		}
		panic(http.ErrAbortHandler)
	default:
		w.Header().Del("Content-Disposition")
		srv.fail(w, r, err)
	}
}

// taken is an answer that its reader takes piece by piece.
type taken struct {
	http.ResponseWriter
	turn *turn
	ctx  context.Context // of the request
	any  bool            // whether anything was written
	gone bool            // the reader does not take more, or has left
}

// Write passes a piece on and gives its reader sendTimeout for it. Meanwhile
// others have the slot: a reader on a slow link keeps no one waiting.
func (t *taken) Write(p []byte) (int, error) {
	t.any = true
	t.turn.pause()
	_ = http.NewResponseController(t.ResponseWriter).SetWriteDeadline(time.Now().Add(sendTimeout)) // a test's writer has none
	n, err := t.ResponseWriter.Write(p)
	t.gone = err != nil || t.ctx.Err() != nil
	if waited := t.turn.resume(t.ctx, goOnPatience); err == nil {
		err = waited
	}
	return n, err
}
