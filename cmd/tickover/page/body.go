package page

import (
	"context"
	"io"
	"net/http"
	"time"
)

// A sender has bodyPatience and one second more for each bodyRate bytes: Wi-Fi
// at the edge of its reach still carries that (common practice). Once it holds
// a slot, each further bodyStep bytes come within stepPatience, which is one
// lost packet sent again after 1 s and after 2 s more (RFC 6298). A sender that
// is slower is cut and frees its slot.
const (
	bodyPatience = 5 * time.Second
	bodyRate     = 32 << 10
	bodyStep     = 16 << 10
	stepPatience = 3 * time.Second
)

// bodyTime is how long a body may take, by the length its sender announces and
// by the longest allowed where none is announced.
func bodyTime(announced, most int64) time.Duration {
	if announced < 0 {
		announced = most
	}
	return bodyPatience + time.Duration(announced)*time.Second/bodyRate
}

// Bodies with a photo that are read at once: of senders whose credential was
// checked, and of others, whose token is within the body. Further ones wait.
const (
	mostBodies    = 6
	provenShare   = 4 // of one address, read or waiting
	mostUnproven  = 2
	unprovenShare = 1 // of one address
	bodyTurn      = 10 * time.Second
)

// pacedBody is a body with a time limit. Its first largestBody bytes need no
// slot: a note without a photo always finds a place, and a sender that is slow
// from the beginning takes none from others. Until it has a slot its connection
// counts as idle, and goes when there is no room for another.
type pacedBody struct {
	io.ReadCloser
	request *http.Request
	out     *http.ResponseController
	slots   *turnstile
	proven  bool // the sender's credential was checked
	most    int64

	got   int64
	limit time.Time // for the whole body, or for what needs no slot
	held  *turn     // nil without a slot
	busy  bool      // the connection counts as busy
}

func newPacedBody(w http.ResponseWriter, r *http.Request, most int64, slots *turnstile, proven bool) *pacedBody {
	b := &pacedBody{ReadCloser: r.Body, request: r, out: http.NewResponseController(w), slots: slots, proven: proven, most: most}
	announced := r.ContentLength
	if announced < 0 {
		announced = most
	}
	b.limit = time.Now().Add(bodyTime(min(announced, largestBody), most))
	guestOf(r.Context()).occupy(-1)
	return b
}

// Read implements io.Reader. It returns errNoTurn when no slot comes, and an
// error that is os.ErrDeadlineExceeded when the sender is too slow.
func (b *pacedBody) Read(p []byte) (int, error) {
	if b.held == nil && b.most > largestBody && b.got >= largestBody && b.got != b.request.ContentLength {
		if err := b.takeSlot(b.request.Context()); err != nil {
			return 0, err
		}
	}
	if b.held == nil {
		p = p[:min(int64(len(p)), max(1, largestBody-b.got))]
	} else {
		p = p[:min(int64(len(p)), bodyStep-b.got%bodyStep)]
	}
	if b.got%bodyStep == 0 {
		limit := b.limit
		if step := time.Now().Add(stepPatience); b.held != nil && step.Before(limit) {
			limit = step
		}
		_ = b.out.SetReadDeadline(limit) // a test's writer has none
	}
	n, err := b.ReadCloser.Read(p)
	b.got += int64(n)
	return n, err
}

func (b *pacedBody) takeSlot(ctx context.Context) (err error) {
	_ = b.out.SetReadDeadline(time.Time{})
	if b.held, err = b.slots.enter(ctx, remote(b.request), bodyTurn); err != nil {
		return err
	}
	b.limit = time.Now().Add(bodyTime(b.request.ContentLength, b.most))
	if b.proven {
		b.busy = true
		guestOf(ctx).occupy(1)
	}
	return nil
}

// end gives back the slot. The answer may take longer than the body.
func (b *pacedBody) end() {
	_ = b.out.SetReadDeadline(time.Time{})
	if b.held != nil {
		b.held.leave()
	}
	if !b.busy {
		guestOf(b.request.Context()).occupy(1)
	}
}
