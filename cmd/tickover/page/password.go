package page

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"net/http"
	"sync"
	"time"
)

// Passwords stands around a check of passwords that takes much of the processor
// (bcrypt). One that was right before is checked at once, whatever strangers
// try meanwhile; others wait for a turn. Make one with NewPasswords.
type Passwords struct {
	tries   *turnstile
	guesses guesses
	salt    [32]byte

	mu    sync.Mutex
	known map[[32]byte]struct{}
}

// Bounds of passwords that were not right before: how many are checked at once,
// how many wait, how many of one address do either, and for how long.
const (
	mostTries     = 2
	mostTrying    = 64
	triesShare    = 4
	triesPatience = 10 * time.Second
	mostKnown     = 64 // passwords remembered, as a hash with a salt of this run
)

// NewPasswords makes a check that knows no password yet.
func NewPasswords() *Passwords {
	p := &Passwords{tries: newTurnstile(mostTries, mostTrying, triesShare), known: map[[32]byte]struct{}{}}
	_, _ = rand.Read(p.salt[:]) // it never fails
	return p
}

// try is one request on its way through the check.
type try struct {
	key    [32]byte
	turn   *turn // nil when it is known or its turn is over
	passed bool
}

func (t *try) over() {
	if t.turn != nil {
		t.turn.leave()
		t.turn = nil
	}
}

type tryKey struct{}

// Before is what a request meets first; check asks for the password and then
// calls a handler made by Behind.
func (p *Passwords) Before(check http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		given := r.Header.Get("Authorization")
		if given == "" {
			check.ServeHTTP(w, r)
			return
		}
		t := &try{key: sha256.Sum256(append(p.salt[:], given...))}
		if !p.knows(t.key) {
			var err error
			if t.turn, err = p.tries.enter(r.Context(), remote(r), triesPatience); err != nil {
				w.Header().Set("Retry-After", "10")
				refuse(w, http.StatusServiceUnavailable, "too many passwords are being checked", "ask again in 10 s")
				return
			}
			defer t.over()
			if p.guesses.over(remote(r), time.Now()) {
				w.Header().Set("Connection", "close")
			}
		}
		check.ServeHTTP(w, r.WithContext(context.WithValue(r.Context(), tryKey{}, t)))
		if !t.passed {
			p.guesses.wrong(remote(r), time.Now())
		}
	})
}

// Behind is what the check lets a request through to.
func (p *Passwords) Behind(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if t, ok := r.Context().Value(tryKey{}).(*try); ok {
			t.passed = true
			t.over()
			p.remember(t.key)
			w.Header().Del("Connection")
		}
		next.ServeHTTP(w, r)
	})
}

func (p *Passwords) knows(key [32]byte) bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	_, ok := p.known[key]
	return ok
}

func (p *Passwords) remember(key [32]byte) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if len(p.known) >= mostKnown {
		clear(p.known) // more than there are people; each is known again at the next request
	}
	p.known[key] = struct{}{}
}
