package notify

import (
	"context"
	"log/slog"
	"math/rand/v2"
	"path/filepath"
	"sync"
	"time"

	"tickover/model"
)

const (
	mostAtOnce   = 200 // messages in one digest
	gather       = 300 * time.Millisecond
	sendLimit    = 30 * time.Second
	lastLimit    = 2 * time.Second // after the stop: a message cut off then would be sent again
	shortestWait = time.Second
	longestWait  = 5 * time.Minute
)

// targetQueue delivers messages to one target.
type targetQueue struct {
	target      model.Target
	sender      Sender
	queue       *queue
	emptyDigest func() Digest // a digest without messages
	log         *slog.Logger
	woken       chan struct{}

	mu     sync.Mutex
	health model.OutletHealth
}

func newTargetQueue(t model.Target, s Sender, folder string, d *disk, about func() Digest,
	log *slog.Logger) *targetQueue {
	p := &targetQueue{target: t, sender: s, emptyDigest: about, log: log.With("target", t.Name),
		woken:  make(chan struct{}, 1),
		health: model.OutletHealth{Name: t.Name, Kind: t.Kind.String()}}
	var err error
	if p.queue, err = openQueue(filepath.Join(folder, t.Name+".queue"), d); err != nil {
		p.log.Error("some waiting messages are lost", "err", err)
	}
	return p
}

// put queues a message.
func (p *targetQueue) put(m Message) {
	kept := p.queue.add(m)
	select {
	case p.woken <- struct{}{}: // before waiting for the card
	default:
	}
	if err := kept(); err != nil {
		p.log.Error("message in memory only", "err", err)
	}
}

// run sends until the context ends. A new message cuts the waiting short: it
// may be the one that matters.
func (p *targetQueue) run(ctx context.Context) {
	pause := shortestWait
	for ctx.Err() == nil {
		if p.queue.len() == 0 {
			select {
			case <-ctx.Done():
				return
			case <-p.woken:
			}
			sleep(ctx, gather)
			if ctx.Err() != nil {
				return
			}
		}
		err := p.send(ctx)
		if ctx.Err() != nil {
			return
		}
		p.report(err)
		if err == nil {
			pause = shortestWait
			continue
		}
		sleep(ctx, shortestWait)
		p.rest(ctx, pause/2+rand.N(pause/2))
		pause = min(2*pause, longestWait)
	}
}

func (p *targetQueue) rest(ctx context.Context, d time.Duration) {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
	case <-t.C:
	case <-p.woken:
	}
}

func sleep(ctx context.Context, d time.Duration) {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
	case <-t.C:
	}
}

// send delivers waiting messages as one digest.
func (p *targetQueue) send(ctx context.Context) error {
	messages, dropped := p.queue.next(mostAtOnce)
	if len(messages) == 0 {
		return nil
	}
	if err := p.deliver(ctx, messages, dropped); err != nil {
		return err
	}
	if err := p.queue.done(messages, dropped); err != nil {
		p.log.Error("sent messages would be sent again after a restart", "err", err)
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	p.health.Sent += uint64(len(messages))
	if dropped > 0 {
		p.health.Dropped = map[string]uint64{"no room": p.health.Dropped["no room"] +
			uint64(dropped)}
	}
	return nil
}

// deliver sends a digest. A stop meanwhile leaves it a little time.
func (p *targetQueue) deliver(stop context.Context, messages []Message, dropped int) error {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(stop), sendLimit)
	defer cancel()
	defer context.AfterFunc(stop, func() { time.AfterFunc(lastLimit, cancel) })()
	d := p.emptyDigest()
	d.Messages, d.Dropped = messages, dropped
	return p.sender.Send(ctx, d)
}

// report remembers why nothing goes out, and logs it when it changes.
func (p *targetQueue) report(err error) {
	p.mu.Lock()
	before := p.health.Trouble
	note(&p.health, err)
	p.mu.Unlock()
	logChange(p.log, before, err)
}

// note puts the outcome of an attempt into a health.
func note(h *model.OutletHealth, err error) {
	h.Trouble, h.Hint = "", ""
	if err != nil {
		h.Trouble, h.Hint = err.Error(), model.HintOf(err)
		h.Failures++
	}
}

func logChange(log *slog.Logger, before string, err error) {
	switch {
	case err != nil && before == "":
		log.Warn("notification failed, retrying", "err", err, "hint", model.HintOf(err))
	case err == nil && before != "":
		log.Info("notifications work again")
	}
}

// state returns the state of the target.
func (p *targetQueue) state() model.OutletHealth {
	p.mu.Lock()
	defer p.mu.Unlock()
	h := p.health
	h.Pending = uint64(p.queue.len())
	return h
}
