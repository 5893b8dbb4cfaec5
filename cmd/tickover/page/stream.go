package page

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"html/template"
	"net/http"
	"slices"
	"time"

	"tickover/model"
)

// fragments are the parts of a page that change, by the id of their place.
type fragments struct {
	Parts    map[string]string `json:"parts"`
	Critical bool              `json:"critical"`
}

// drawKey is what fragments depend on besides the moment: pages that listen at
// the same time share one drawing.
type drawKey struct {
	view  string
	look  bool
	droop float64
}

// drawMoment is when fragments were drawn.
type drawMoment struct {
	snap   *model.Snapshot
	second int64
}

// Between two messages of a stream: at least so that a burst of scans does not
// flood a telephone, at most so that ages go on growing when nothing comes.
const (
	leastPause  = 250 * time.Millisecond
	longestWait = time.Second
	sendTimeout = 10 * time.Second // for a reader that does not take its message
)

// views are the pages a stream can tell of.
var views = []string{"", "page", "next", "alarms", "watch"}

// apiStream tells of every snapshot as server-sent events: as JSON, or with
// view as the changing parts of a page.
func (srv *server) apiStream(w http.ResponseWriter, r *http.Request) {
	if !slices.Contains(views, r.URL.Query().Get("view")) {
		refuse(w, http.StatusBadRequest, "there is no such view", "leave view out for JSON")
		return
	}
	listening, leave, ok := srv.streams.take(r.Context(), remote(r))
	if !ok {
		w.Header().Set("Retry-After", "10")
		refuse(w, http.StatusServiceUnavailable, "too many pages are open", "close one of them")
		return
	}
	defer leave()
	r = r.WithContext(listening)
	w.Header().Set("Content-Type", "text/event-stream")
	out := http.NewResponseController(w)
	for {
		changed, told := srv.Live.Changed(), srv.Live.Latest()
		if err := srv.tell(w, out, r); err != nil {
			return // the reader is gone or too slow
		}
		if !srv.wait(r, changed, told) {
			return
		}
	}
}

// tell sends one message.
func (srv *server) tell(w http.ResponseWriter, out *http.ResponseController, r *http.Request) error {
	var v any
	name := "now"
	if view := r.URL.Query().Get("view"); view != "" {
		parts, err := srv.draw(drawKey{view, look(r), droopWanted(r)})
		if err != nil {
			srv.log.Error("page not drawn", "err", err)
			return err
		}
		name, v = "page", parts
	} else if snap := srv.Live.Latest(); snap != nil {
		v = srv.wireNow(snap)
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
// left. An alarm that moved since what was told waits for no pause.
func (srv *server) wait(r *http.Request, changed <-chan struct{}, told *model.Snapshot) bool {
	pause := time.NewTimer(leastPause)
	defer pause.Stop()
	longest := time.NewTimer(leastPause + longestWait)
	defer longest.Stop()
	paused, newer := false, false
	for !paused || !newer {
		select {
		case <-pause.C:
			paused = true
		case <-changed:
			changed, newer = srv.Live.Changed(), true
			if alarmsMoved(told, srv.Live.Latest()) {
				return true
			}
		case <-longest.C:
			return true
		case <-r.Context().Done():
			return false
		}
	}
	return true
}

// alarmsMoved reports whether an alarm is in another state than it was, or
// lost or found its sight.
func alarmsMoved(before, now *model.Snapshot) bool {
	if before == nil || now == nil {
		return before != now
	}
	return !slices.EqualFunc(before.Alarms, now.Alarms, func(a, b model.AlarmStatus) bool {
		return a.State == b.State && a.Watching == b.Watching
	})
}

// draw gives the changing parts of a page, drawn at most once a second for
// each snapshot.
func (srv *server) draw(key drawKey) (fragments, error) {
	at := drawMoment{srv.Live.Latest(), time.Now().Unix()}
	srv.mu.Lock()
	if srv.partsAt != at || srv.parts == nil {
		srv.parts, srv.partsAt = map[drawKey]fragments{}, at
	}
	parts, ok := srv.parts[key]
	srv.mu.Unlock()
	if ok {
		return parts, nil
	}
	parts, err := srv.drawParts(key)
	if err != nil {
		return parts, err
	}
	srv.mu.Lock()
	defer srv.mu.Unlock()
	if srv.partsAt == at {
		srv.parts[key] = parts
	}
	return parts, nil
}

func (srv *server) drawParts(key drawKey) (fragments, error) {
	parts := fragments{Parts: map[string]string{}}
	put := func(t *template.Template, name string, v any) error {
		var b bytes.Buffer
		if err := t.ExecuteTemplate(&b, name, v); err != nil {
			return fmt.Errorf("draw %s: %w", name, err)
		}
		parts.Parts[name] = b.String()
		return nil
	}
	var err error
	var seen view
	switch key.view {
	case "page":
		v := srv.nowView(key.look)
		seen, err = v.view, put(nowTemplate, "numbers", v)
	case "next":
		v := srv.nextView(key.droop)
		seen, err = v.view, put(nextTemplate, "aid", v)
	case "alarms":
		v := srv.alarmsView()
		seen, err = v.view, errors.Join(put(alarmsTemplate, "alarms", v), put(alarmsTemplate, "signs", v))
	default:
		seen = srv.frame("watch", "", key.look)
	}
	parts.Critical = seen.Critical != nil
	return parts, errors.Join(err, put(nowTemplate, "warning", seen))
}
