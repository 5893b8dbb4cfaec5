package page

import (
	"context"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"tickover/cmd/tickover/api"
	"tickover/model"
)

// unread is an answer that nobody takes until it is let go.
type unread struct {
	*httptest.ResponseRecorder
	let chan struct{}
}

func (u unread) Write(p []byte) (int, error) {
	<-u.let
	return u.ResponseRecorder.Write(p)
}

// Readers that do not take their exports keep no slot from others.
func TestSlowReadersKeepNobodyWaiting(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := serve(hatchery(), Options{TrustLocal: true})
		let := make(chan struct{})
		slow := httptest.NewRequest("GET", "/api/v1/export", nil)
		slow.RemoteAddr = "198.51.100.1:4711"
		for range 100 { // of whom one address has its share
			go h.ServeHTTP(unread{httptest.NewRecorder(), let}, slow.Clone(t.Context()))
		}
		synctest.Wait()
		began := time.Now()
		for _, path := range []string{"/runs/1/report", "/api/v1/export", "/api/v1/runs/1/bundle"} {
			if w := ask(h, "GET", path, ""); w.Code != http.StatusOK {
				t.Errorf("%s beside slow readers: %d", path, w.Code)
			}
		}
		if took := time.Since(began); took != 0 {
			t.Errorf("waited %v for readers who do not read", took)
		}
		close(let)
		synctest.Wait()
	})
}

// laborious takes a minute over every report.
type laborious struct{ *fakeRecord }

func (laborious) Report(ctx context.Context, w io.Writer, _, _ string) error {
	select {
	case <-time.After(time.Minute):
	case <-ctx.Done():
	}
	_, err := io.WriteString(w, "late")
	return err
}

// What takes much of the processor waits for its turn, and is refused when
// that does not come.
func TestWhatCannotBeMadeInTurnIsRefused(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := New(partsOf(laborious{eventful()}), Options{TrustLocal: true})
		for range mostHeavy {
			go ask(h, "GET", "/runs/1/report", "")
		}
		synctest.Wait()
		began := time.Now()
		paths := []string{"/runs/1/report", "/api/v1/export", "/trends", "/api/v1/trends", "/runs/1/compare/2", "/api/v1/runs/1/compare/2", "/wiring", "/api/v1/wiring", "/api/v1/wiring/walk"}
		var all sync.WaitGroup
		for _, path := range paths {
			all.Go(func() {
				w := ask(h, "GET", path, "")
				if w.Code != http.StatusServiceUnavailable || w.Header().Get("Retry-After") == "" || time.Since(began) != heavyPatience {
					t.Errorf("%s after %v: %d %s", path, time.Since(began), w.Code, w.Body)
				}
			})
		}
		for _, path := range []string{"/", "/alarms", "/next", "/api/v1/now", "/runs"} { // what must not wait
			if w := ask(h, "GET", path, ""); w.Code != http.StatusOK || time.Since(began) != 0 {
				t.Errorf("%s after %v: %d", path, time.Since(began), w.Code)
			}
		}
		all.Wait()
		time.Sleep(time.Minute)
		for _, path := range paths {
			if w := ask(h, "GET", path, ""); w.Code != http.StatusOK {
				t.Errorf("%s later: %d", path, w.Code)
			}
		}
	})
}

// endlessExport writes until its reader leaves.
type endlessExport struct {
	*fakeRecord
	ended chan struct{}
}

func (e endlessExport) Export(ctx context.Context, w io.Writer, _ model.Query, _ api.Form) error {
	defer close(e.ended)
	for ctx.Err() == nil {
		if _, err := w.Write(make([]byte, 4096)); err != nil {
			return err
		}
	}
	return ctx.Err()
}

// Readers who leave in the middle are no errors: strangers must not fill the log.
func TestAReaderWhoLeavesFillsNoLog(t *testing.T) {
	var log strings.Builder
	e := endlessExport{hatchery(), make(chan struct{})}
	server := httptest.NewServer(New(partsOf(e), Options{Log: slog.New(slog.NewTextHandler(&log, nil))}))
	answer, err := http.Get(server.URL + "/api/v1/export")
	if err != nil {
		t.Fatal(err)
	}
	answer.Body.Close()
	<-e.ended
	server.Close() // waits for the handler
	if log.Len() > 0 {
		t.Error(log.String())
	}
}
