package page

import (
	"bytes"
	"encoding/json"
	"fmt"
	"net/http"
	"time"

	"tickover/model"
)

// fragments are the parts of the page that change.
type fragments struct {
	Warning  string `json:"warning"`
	Numbers  string `json:"numbers"`
	Alarms   string `json:"alarms"`
	Critical bool   `json:"critical"`
}

// drawKey is what fragments depend on: pages that listen at the same time
// share one drawing.
type drawKey struct {
	snap   *model.Snapshot
	look   bool
	second int64
}

// Between two messages of a stream: at least so that a burst of scans does not
// flood a telephone, at most so that ages go on growing when nothing comes.
const (
	leastPause  = 250 * time.Millisecond
	longestWait = time.Second
	sendTimeout = 10 * time.Second // for a reader that does not take its message
)

// apiStream tells of every snapshot as server-sent events: as JSON, or with
// view=page as the changing parts of the page.
func (f *face) apiStream(w http.ResponseWriter, r *http.Request) {
	select {
	case f.streams <- struct{}{}:
		defer func() { <-f.streams }()
	default:
		w.Header().Set("Retry-After", "10")
		refuse(w, http.StatusServiceUnavailable, "too many pages listen", "close one of them")
		return
	}
	w.Header().Set("Content-Type", "text/event-stream")
	out := http.NewResponseController(w)
	for {
		changed := f.src.Changed()
		if err := f.tell(w, out, r); err != nil {
			return // the reader is gone or too slow
		}
		if !wait(r, changed) {
			return
		}
	}
}

// tell sends one message.
func (f *face) tell(w http.ResponseWriter, out *http.ResponseController, r *http.Request) error {
	var v any
	name := "now"
	if r.URL.Query().Get("view") == "page" {
		parts, err := f.draw(look(r))
		if err != nil {
			f.log.Error("page not drawn", "err", err)
			return err
		}
		name, v = "page", parts
	} else if snap := f.src.Latest(); snap != nil {
		v = f.wireNow(snap)
	}
	body, err := json.Marshal(v)
	if err != nil {
		return err
	}
	// A writer without deadlines, as in a test, is served without.
	_ = out.SetWriteDeadline(time.Now().Add(sendTimeout))
	if _, err := fmt.Fprintf(w, "event: %s\ndata: %s\n\n", name, body); err != nil {
		return err
	}
	return out.Flush()
}

// wait returns when it is time for the next message; false when the reader
// left.
func wait(r *http.Request, changed <-chan struct{}) bool {
	pause := time.NewTimer(leastPause)
	defer pause.Stop()
	longest := time.NewTimer(longestWait)
	defer longest.Stop()
	select {
	case <-pause.C:
	case <-r.Context().Done():
		return false
	}
	select {
	case <-changed:
	case <-longest.C:
	case <-r.Context().Done():
		return false
	}
	return true
}

// draw gives the changing parts of the page, drawn at most once a second for
// each snapshot.
func (f *face) draw(look bool) (fragments, error) {
	key := drawKey{f.src.Latest(), look, time.Now().Unix()}
	f.mu.Lock()
	if f.drawnAt == key {
		defer f.mu.Unlock()
		return f.drawn, nil
	}
	f.mu.Unlock()
	v := f.view(look)
	parts := fragments{Critical: v.Critical != nil}
	for name, to := range map[string]*string{"warning": &parts.Warning, "numbers": &parts.Numbers, "alarms": &parts.Alarms} {
		var b bytes.Buffer
		if err := pageTemplate.ExecuteTemplate(&b, name, v); err != nil {
			return parts, fmt.Errorf("draw %s: %w", name, err)
		}
		*to = b.String()
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	f.drawn, f.drawnAt = parts, key
	return parts, nil
}
