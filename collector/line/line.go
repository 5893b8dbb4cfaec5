package line

import (
	"context"
	"errors"
	"io"
	"sync"
	"time"

	"golang.org/x/sys/unix"

	"tickover/model"
)

const (
	firstBackoff = 250 * time.Millisecond
	maxBackoff   = time.Second
	// slice bounds every blocking wait on the wire, so that a cancelled
	// question and Close are heeded this soon.
	slice = 100 * time.Millisecond
)

var errClosed = errors.New("line closed by the program")

// ErrHungUp says that a gateway closed the connection when a unit was asked,
// and a new one as well. Some do so for a unit that they do not have: it is the
// unit's failure, and the line does not count as closed, so that the others are
// asked.
var ErrHungUp = errors.New("the gateway hung up when it was asked, and again on a new connection")

// exchange carries one question over an open connection. It returns the
// answer's PDU from the function code on (exceptions included) and the time
// from the end of the request to the last byte of the answer.
type exchange interface {
	ask(ctx context.Context, q question) (pdu []byte, took time.Duration, err error)
	close() error
}

// Line is one bus. Make it by New.
type Line struct {
	def    model.Line
	life   context.Context
	end    context.CancelFunc
	dial   func(ctx context.Context) (exchange, error) // a seam for tests
	behind func(fd int) driver                         // another
	tally  *tally
	memory *memory

	bus     sync.Mutex // held while the wire is in use; guards the rest
	conn    exchange   // nil when not open
	opened  bool       // was open before
	refusal error      // why the last opening failed
	next    time.Time  // no opening before this
	backoff time.Duration
}

// New makes a line and opens nothing.
func New(def model.Line) *Line {
	l := &Line{def: def, tally: newTally(def), memory: newMemory()}
	l.life, l.end = context.WithCancel(context.Background())
	l.dial, l.behind = l.connect, driverOf
	return l
}

// connect opens what the definition names.
func (l *Line) connect(ctx context.Context) (exchange, error) {
	switch l.def.Kind {
	case model.TCPLine:
		conn, err := dial(ctx, l.def)
		if err != nil {
			return nil, err
		}
		return newGateway(l.def, conn, l.tally), nil
	case model.RTUOverTCP:
		conn, err := dial(ctx, l.def)
		if err != nil {
			return nil, err
		}
		return newWire(l.def, netPort{conn}, l.tally, l.memory), nil
	}
	p, err := openTTY(l.def, l.behind)
	if err != nil {
		return nil, err
	}
	l.tally.lacks(p.lacks)
	return newWire(l.def, p, l.tally, l.memory), nil
}

// Open connects now, whatever the backoff. The error is a *model.ReadError of
// cause LineClosed with a hint; the end of ctx and Close cut it short. Opening
// an open line does nothing.
func (l *Line) Open(ctx context.Context) error {
	l.bus.Lock()
	defer l.bus.Unlock()
	ctx, stop := l.alive(ctx)
	defer stop()
	l.next = time.Time{}
	if err := l.open(ctx); err != nil {
		return l.closedError("open", err)
	}
	return nil
}

// alive gives a context that ends with ctx and with the line.
func (l *Line) alive(ctx context.Context) (both context.Context, stop func()) {
	both, cancel := context.WithCancel(ctx)
	unhook := context.AfterFunc(l.life, cancel)
	return both, func() { unhook(); cancel() }
}

// open makes sure of a connection. Between failures it refuses at once until
// the backoff is over, so that a missing adapter costs a poll nothing.
func (l *Line) open(ctx context.Context) error {
	if l.life.Err() != nil {
		return errClosed
	}
	if l.conn != nil {
		return nil
	}
	l.tally.tried()
	if time.Now().Before(l.next) {
		return l.refusal
	}
	conn, err := l.dial(ctx)
	if err != nil {
		l.backoff = min(max(2*l.backoff, firstBackoff), maxBackoff)
		l.next, l.refusal = time.Now().Add(l.backoff), err
		l.tally.shut(err)
		return err
	}
	l.conn, l.backoff, l.next = conn, 0, time.Time{}
	l.tally.opened(l.opened)
	l.opened = true
	return nil
}

// Read asks one question and waits for its answer, opening the line when it
// is not open. A question that failed on the wire is asked once more if the
// unit was answering before. The error is always a *model.ReadError; its cause
// is LineClosed when the line is not there (the next Read tries to open it
// again, at most every second), and NotPolledYet when the question was never put
// because it is malformed or ctx had ended.
func (l *Line) Read(ctx context.Context, r model.ReadRequest) (model.Answer, error) {
	q := question{ReadRequest: r}
	pdu, took, err := l.put(ctx, q)
	if err != nil {
		return model.Answer{}, err
	}
	return model.Answer{Words: decode(r, pdu), Took: took}, nil
}

// put asks any question and returns the PDU of an answer that is no exception.
func (l *Line) put(ctx context.Context, q question) ([]byte, time.Duration, error) {
	if err := check(l.def, q); err != nil {
		return nil, 0, err
	}
	l.bus.Lock()
	defer l.bus.Unlock()
	if l.life.Err() != nil {
		return nil, 0, l.closedError(q.String(), errClosed)
	}
	ctx, stop := l.alive(ctx)
	defer stop()
	if err := ctx.Err(); err != nil {
		return nil, 0, &model.ReadError{Cause: model.NotPolledYet, Request: q.String(), Err: err}
	}
	if err := l.open(ctx); err != nil {
		return nil, 0, l.closedError(q.String(), err)
	}
	pdu, took, err := l.ask(ctx, q)
	if err != nil {
		return nil, 0, l.failed(q, err)
	}
	if pdu[0]&exceptionBit != 0 {
		return nil, 0, exceptionError(q, pdu[1])
	}
	return pdu, took, nil
}

// ask puts the question on the open connection. Gateways drop connections
// that were idle for a while; that shows only now, and costs one more try.
func (l *Line) ask(ctx context.Context, q question) ([]byte, time.Duration, error) {
	pdu, took, err := l.conn.ask(ctx, q)
	var read *model.ReadError
	if err == nil || errors.As(err, &read) || l.def.Kind == model.SerialLine {
		return pdu, took, err
	}
	_ = l.conn.close() // it is broken; err says more
	l.conn = nil
	l.tally.retry(q.Unit)
	if err := l.open(ctx); err != nil {
		return nil, 0, err
	}
	pdu, took, err = l.conn.ask(ctx, q)
	if errors.Is(err, io.EOF) || errors.Is(err, unix.ECONNRESET) || errors.Is(err, unix.EPIPE) {
		l.tally.failure(q.Unit, model.NoAnswer)
		err = &model.ReadError{Cause: model.NoAnswer, Request: q.String(), Err: ErrHungUp,
			Hint: "does the gateway have this unit? If it hangs up for every unit: does it allow one client only, and has it one already?"}
	}
	return pdu, took, err
}

// failed turns what an exchange said into a *model.ReadError, and lets go of
// the connection when it is that which failed.
func (l *Line) failed(q question, err error) error {
	var read *model.ReadError
	if errors.As(err, &read) {
		if errors.Is(read, errDeaf) || errors.Is(read, ErrHungUp) {
			_ = l.conn.close() // nothing was to be heard of it anyway
			l.conn = nil       // the next question makes a new one
		}
		return read
	}
	if l.conn != nil {
		_ = l.conn.close() // it is broken; err says more
		l.conn = nil
		l.next, l.refusal = time.Now().Add(firstBackoff), err
	}
	l.tally.shut(err)
	return l.closedError(q.String(), err)
}

// Health says what happened on the line since New.
func (l *Line) Health() model.LineHealth { return l.tally.health() }

// Close ends the question under way within 100 ms and closes the line for
// good. Later reads fail with cause LineClosed.
func (l *Line) Close() error {
	l.end()
	l.bus.Lock()
	defer l.bus.Unlock()
	if l.conn == nil {
		return nil
	}
	err := l.conn.close()
	l.conn = nil
	l.tally.shut(errClosed)
	return err
}
