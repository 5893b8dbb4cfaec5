package page

import (
	"context"
	"io"
	"net/http"
	"net/http/httptest"
	"testing"
	"testing/synctest"
	"time"
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
		for range mostHeavy + 2 {
			go h.ServeHTTP(unread{httptest.NewRecorder(), let}, httptest.NewRequest("GET", "/api/v1/export", nil))
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
type laborious struct{ *shed }

func (laborious) Report(ctx context.Context, w io.Writer, _, _ string) error {
	select {
	case <-time.After(time.Minute):
	case <-ctx.Done():
	}
	_, err := io.WriteString(w, "late")
	return err
}

func TestReportsBeyondWhatCanBeMadeAtOnceAreRefused(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := New(laborious{hatchery()}, Options{TrustLocal: true})
		for range mostHeavy {
			go ask(h, "GET", "/runs/1/report", "")
		}
		synctest.Wait()
		began := time.Now()
		w := ask(h, "GET", "/runs/1/report", "")
		if w.Code != http.StatusServiceUnavailable || w.Header().Get("Retry-After") == "" || time.Since(began) != heavyPatience {
			t.Errorf("after %v: %d %s", time.Since(began), w.Code, w.Body)
		}
		time.Sleep(time.Minute)
		if w := ask(h, "GET", "/runs/1/report", ""); w.Code != http.StatusOK {
			t.Errorf("later: %d", w.Code)
		}
	})
}
