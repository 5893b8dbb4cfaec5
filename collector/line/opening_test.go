package line

import (
	"context"
	"errors"
	"net"
	"testing"
	"testing/synctest"
	"time"

	"tickover/model"
)

// TestOpeningIsCutShort has a gateway that does not answer the connect: the end
// of the context and Close end the opening, at once.
func TestOpeningIsCutShort(t *testing.T) {
	for name, cut := range map[string]func(l *Line, stop context.CancelFunc){
		"context": func(_ *Line, stop context.CancelFunc) { stop() },
		"close":   func(l *Line, _ context.CancelFunc) { l.Close() },
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				l := New(model.Line{Name: "far", Kind: model.TCPLine, Address: "192.0.2.1:502"})
				l.dial = func(ctx context.Context) (exchange, error) { <-ctx.Done(); return nil, ctx.Err() }
				ctx, stop := context.WithCancel(t.Context())
				defer stop()
				began := time.Now()
				time.AfterFunc(200*time.Millisecond, func() { cut(l, stop) })
				wantClosed(t, l.Open(ctx), context.Canceled, "")
				if took := time.Since(began); took != 200*time.Millisecond {
					t.Errorf("the opening ended after %s", took)
				}
			})
		})
	}
}

// TestDiallingHeedsTheContext opens a gateway that is there in a context that
// is over.
func TestDiallingHeedsTheContext(t *testing.T) {
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer listener.Close()
	ctx, stop := context.WithCancel(t.Context())
	stop()
	for _, kind := range []model.LineKind{model.TCPLine, model.RTUOverTCP} {
		l := New(model.Line{Name: "far", Kind: kind, Address: listener.Addr().String()})
		if err := l.Open(ctx); err == nil || l.Health().Open || errors.Is(err, context.DeadlineExceeded) {
			t.Errorf("%s: %v", kind, err)
		}
		if err := l.Close(); err != nil {
			t.Error(err)
		}
	}
}
