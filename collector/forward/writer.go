package forward

import (
	"context"
	"errors"
	"fmt"
	"iter"
	"log/slog"
	"maps"
	"math/rand/v2"
	"net/http"
	"path/filepath"
	"sync"
	"time"

	"tickover/model"
)

// Source is what readings are forwarded from.
type Source interface {
	// Scans yields what was kept, in order of instants.
	Scans(model.Query) iter.Seq2[*model.Scan, error]
	// Clock is the table of boots as it is now.
	Clock() model.Clock
}

// Parts are what a writer is built from.
type Parts struct {
	To     model.RemoteWrite
	Source Source
	// Series gives a point the name it goes by; false when it has none.
	Series func(model.PointID) (model.Series, bool)
	// States are sent beside the readings; nil sends none.
	States *States
	// Client lets us in at the server: it adds certificates and passwords.
	Client *http.Client
	Now    func() model.Instant
	// Folder keeps the cursor.
	Folder  string
	Version string // of the program
	// Simulated says that a made-up time of day counts as known.
	Simulated bool
	Log       *slog.Logger
}

const (
	defaultOldest  = 30 * 24 * time.Hour
	defaultEvery   = 10 * time.Second
	defaultRequest = 4000
	shortestWait   = time.Second
	longestWait    = 5 * time.Minute
	saveEvery      = 30 * time.Second // a cursor kept more often would only wear the card
	leeway         = 5 * time.Second  // how far a sample may be ahead of the server's clock
	// straggling is how much later than its instant a scan may be kept.
	straggling = 5 * time.Minute
)

// Writer pushes readings to one server. Make one with NewWriter.
type Writer struct {
	parts  Parts
	client client
	table  *table
	cursor *cursor
	saved  time.Time

	encoder   encoder
	batch     []sample
	reached   map[string]model.Instant // by group, with the batch
	live      map[int]bool             // series whose last value sent was good
	chronicle chronicle
	under     *delivery // interrupted
	lessons   *lessons
	ahead     time.Duration // our clock less the server's
	greeted   time.Time

	refusals   int // since complained
	refusal    error
	complained time.Time

	mu     sync.Mutex
	health model.OutletHealth
}

// NewWriter makes a writer and reads its cursor. A cursor that cannot be read
// is logged, and everything is sent again.
func NewWriter(p Parts) *Writer {
	p.To.Oldest = orDefault(p.To.Oldest, defaultOldest)
	p.To.Every = orDefault(p.To.Every, defaultEvery)
	if p.To.PerRequest == 0 {
		p.To.PerRequest = defaultRequest
	}
	w := &Writer{
		parts: p, client: client{p.Client, p.To.URL, p.Version}, table: newTable(p.Series, p.To.Labels),
		reached: map[string]model.Instant{}, live: map[int]bool{}, lessons: newLessons(),
		chronicle: chronicle{states: p.States, alarms: map[string]model.AlarmEvent{}},
		health:    model.OutletHealth{Name: p.To.Name, Kind: "remote write", Dropped: map[string]uint64{}},
	}
	var err error
	if w.cursor, err = openCursor(filepath.Join(p.Folder, p.To.Name+".json")); err != nil {
		p.Log.Error("the cursor is lost; readings are sent from the oldest on", "err", err)
	}
	return w
}

func orDefault(d, otherwise time.Duration) time.Duration {
	if d == 0 {
		return otherwise
	}
	return d
}

// Run pushes until the context ends, then keeps the cursor.
func (w *Writer) Run(ctx context.Context) {
	next := shortestWait
	for ctx.Err() == nil {
		err := w.pass(ctx)
		pause := w.parts.To.Every
		if err != nil && ctx.Err() == nil {
			pause = max(next/2+rand.N(next/2), asked(err))
			next = min(2*next, longestWait)
		} else {
			next = shortestWait
		}
		w.report(ctx, err)
		sleep(ctx, pause)
	}
	w.keep(true)
}

// asked is how long the server wants to be left alone.
func asked(err error) time.Duration {
	var w *wait
	if errors.As(err, &w) {
		return w.after
	}
	return 0
}

func sleep(ctx context.Context, d time.Duration) {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
	case <-t.C:
	}
}

// Health returns how the writer fares.
func (w *Writer) Health() model.OutletHealth {
	w.mu.Lock()
	defer w.mu.Unlock()
	h := w.health
	h.Dropped = maps.Clone(h.Dropped)
	return h
}

// report remembers why nothing goes out, and logs it when it changes.
func (w *Writer) report(ctx context.Context, err error) {
	if ctx.Err() != nil {
		return
	}
	w.mu.Lock()
	before := w.health.Trouble
	w.health.Trouble, w.health.Hint = "", ""
	if err != nil {
		w.health.Trouble, w.health.Hint = err.Error(), model.HintOf(err)
		w.health.Failures++
		w.health.Lag = w.lag()
	}
	w.mu.Unlock()
	switch {
	case err != nil && before == "":
		w.parts.Log.Warn("readings wait; they are kept and sent later", "err", err, "hint", model.HintOf(err))
	case err == nil && before != "":
		w.parts.Log.Info("readings go out again")
	}
}

// lag is the age of what is sent next; 0 when it cannot be told.
func (w *Writer) lag() time.Duration {
	now, source := w.wall()
	from, known := w.parts.Source.Clock().Wall(w.cursor.from())
	if source == model.ClockUnknown || known == model.ClockUnknown {
		return 0
	}
	return max(now.Sub(from), 0)
}

// keep saves the cursor, now or when it is time.
func (w *Writer) keep(now bool) {
	if !now && time.Since(w.saved) < saveEvery {
		return
	}
	w.saved = time.Now()
	if err := w.cursor.save(); err != nil {
		w.parts.Log.Error("the cursor is not kept; readings would be sent again after a restart", "err", err)
	}
}

// post encodes and sends samples.
func (w *Writer) post(ctx context.Context, part []sample) (answer, error) {
	begin := time.Now()
	a, err := w.client.write(ctx, w.encoder.body(w.table, part))
	if err != nil {
		return a, err
	}
	w.compare(a)
	if limit := w.parts.To.PerSecond; limit > 0 {
		sleep(ctx, time.Duration(len(part))*time.Second/time.Duration(limit)-time.Since(begin))
	}
	return a, nil
}

// compare notes how the server's clock stands against ours.
func (w *Writer) compare(a answer) {
	if a.date.IsZero() {
		return
	}
	w.greeted = time.Now()
	w.ahead = 0
	if wall, source := w.wall(); source != model.ClockUnknown {
		w.ahead = wall.Sub(a.date)
	}
}

// wall is the time of day now, by the store's table of boots.
func (w *Writer) wall() (time.Time, model.ClockSource) {
	return w.parts.Source.Clock().Wall(w.parts.Now())
}

// vouched reports whether samples may be dated by such a clock: one sample
// dated ahead makes some servers refuse all others until then.
func (w *Writer) vouched(s model.ClockSource) bool {
	return s.Vouched() && (s != model.ClockSimulated || w.parts.Simulated)
}

var errNoTime = &model.Fault{Err: errors.New("the time of day is not known yet"),
	Hint: "readings are kept and sent, rightly dated, once a time server, a battery-backed clock or a person's telephone has told it"}

// clockTrouble says that our clock cannot be trusted against the server's.
func clockTrouble(ahead time.Duration) error {
	return &model.Fault{Err: fmt.Errorf("our clock is %s ahead of the server's", model.Lasting(ahead.Round(time.Second))),
		Hint: "set both clocks by a time server; samples dated ahead would make the server refuse all others"}
}
