package collector

import (
	"context"
	"errors"
	"time"

	"tickover/model"
)

const (
	// reopenEvery is how often a line that is not there is tried.
	reopenEvery = 500 * time.Millisecond
	// openPatience is how long the first rounds wait for their line: a port
	// opens within it, and a gateway that does not answer costs no more.
	openPatience = 500 * time.Millisecond
)

// opening is a try to open the line. It has a goroutine of its own, which the
// poller ends and waits for: a gateway that does not answer takes seconds, in
// which rounds go on to say that the line is closed.
type opening struct {
	done  chan error // gets one
	began time.Time
	by    time.Time // when it must be over, or something hangs
}

// open begins to open the line.
func (p *poller) open(ctx context.Context) {
	now := time.Now()
	o := &opening{done: make(chan error, 1), began: now, by: now.Add(2*p.def.ResponseTimeout() + grace)}
	p.opening = o
	go func() { o.done <- p.line.Open(ctx) }()
}

// openFirst begins to open the line and gives it a moment.
func (p *poller) openFirst(ctx context.Context) {
	p.closed, p.refusal = true, &model.ReadError{Cause: model.LineClosed, Request: "open line " + p.def.Name, Detail: "it is not open yet"}
	p.open(ctx)
	patience := time.NewTimer(openPatience)
	defer patience.Stop()
	select {
	case err := <-p.opening.done:
		p.opened(ctx, err)
	case <-patience.C:
	case <-ctx.Done():
	}
}

// opened takes the outcome of an opening. Everything is asked at once when the
// line is there.
func (p *poller) opened(ctx context.Context, err error) {
	p.reopen = time.Now().Add(max(reopenEvery, 2*time.Since(p.opening.began)))
	p.opening = nil
	p.closed = err != nil
	if err == nil {
		if p.tried && !p.gone.IsZero() {
			p.log.Info("line is back", "line", p.def.Name, "gap", time.Since(p.gone).Round(100*time.Millisecond).String())
		}
		p.tried, p.gone = true, time.Time{}
		p.retryNow(true)
		p.allDue()
		return
	}
	p.refusal = err
	if p.gone.IsZero() {
		p.gone = time.Now()
	}
	if !p.tried && ctx.Err() == nil {
		p.tried = true
		p.log.Warn("line is not there yet; it is tried again", "line", p.def.Name, "err", err, "hint", hintOf(err))
	}
}

// lost takes note of a line that went while it was in use, and says so once.
func (p *poller) lost(err error) {
	if !p.closed {
		p.gone = time.Now()
		p.log.Warn("line is gone; it is tried again until it is back", "line", p.def.Name, "err", err, "hint", hintOf(err))
	}
	p.closed, p.refusal = true, err
}

// settle takes the outcome of an opening if there is one by now.
func (p *poller) settle(ctx context.Context) {
	if p.opening == nil {
		return
	}
	select {
	case err := <-p.opening.done:
		p.opened(ctx, err)
	default:
	}
}

// endOpening waits for an opening under way, which the end of its context cuts
// short.
func (p *poller) endOpening() {
	if p.opening != nil {
		<-p.opening.done
	}
}

func hintOf(err error) string {
	var e *model.ReadError
	if errors.As(err, &e) {
		return e.Hint
	}
	return ""
}
