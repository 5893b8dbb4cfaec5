package page

import (
	"crypto/sha256"
	"crypto/subtle"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"mime"
	"net"
	"net/http"
	"strings"
	"sync"
	"time"
)

// pagePolicy allows the page its own style and script, by their hashes, and
// nothing else.
var pagePolicy = "default-src 'none'; style-src '" + hash(styleSource) + "'; script-src '" + hash(scriptSource) +
	"'; connect-src 'self'; form-action 'self'; img-src 'self' data:; base-uri 'none'; frame-ancestors 'none'"

func hash(text string) string {
	sum := sha256.Sum256([]byte(text))
	return "sha256-" + base64.StdEncoding.EncodeToString(sum[:])
}

// readerPatience bounds how long a reader may take over an answer. Streams and
// exports extend it while the reader takes what they send.
const readerPatience = time.Minute

// Guarded sets the headers that every answer carries, and its time limit.
func Guarded(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", "default-src 'none'; frame-ancestors 'none'; base-uri 'none'")
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("X-Frame-Options", "DENY")
		// With no-referrer, browsers that know no Sec-Fetch-Site yet would send a
		// form of our own page as if it came from nowhere.
		h.Set("Referrer-Policy", "same-origin")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Cache-Control", "no-store")
		beginPatience(w)
		next.ServeHTTP(w, r)
	})
}

// beginPatience gives the reader the whole time from now on.
func beginPatience(w http.ResponseWriter) {
	_ = http.NewResponseController(w).SetWriteDeadline(time.Now().Add(readerPatience)) // a test's writer has none
}

// refuse answers with an error and what to do about it.
func refuse(w http.ResponseWriter, status int, message, hint string) {
	w.Header().Set("Content-Type", "application/json; charset=utf-8")
	w.WriteHeader(status)
	e := json.NewEncoder(w)
	e.SetEscapeHTML(false)
	_ = e.Encode(map[string]string{"error": message, "hint": hint}) // the reader may be gone
}

// largestBody bounds what anybody may send without a photo, in bytes.
const largestBody = 16 << 10

// bodyPatience bounds how long a body may take, so that a slow sender holds
// nothing for long.
const bodyPatience = time.Minute

// entrance is what a request passes that brings a body or a token.
type entrance struct {
	guesses guesses
	bodies  chan struct{} // one slot for each request whose large body is being read
	origin  *http.CrossOriginProtection
}

func newEntrance() entrance {
	return entrance{bodies: make(chan struct{}, mostBodies), origin: http.NewCrossOriginProtection()}
}

// read takes in the form of a request of our own pages or a program, and
// answers one that it does not take.
func (e *entrance) read(w http.ResponseWriter, r *http.Request, most int64) bool {
	if err := e.origin.Check(r); err != nil {
		refuse(w, http.StatusForbidden, "the request came from another site's page", "use the page itself")
		return false
	}
	if most > largestBody { // small ones are no burden, and an acknowledgement waits for no slow photo
		select {
		case e.bodies <- struct{}{}:
			defer func() { <-e.bodies }()
		case <-r.Context().Done():
			return false
		}
	}
	r.Body = http.MaxBytesReader(w, r.Body, most)
	_ = http.NewResponseController(w).SetReadDeadline(time.Now().Add(bodyPatience)) // a test's writer has none
	err := readForm(r)
	var large *http.MaxBytesError
	switch {
	case err == nil:
		return true
	case errors.As(err, &large):
		refuse(w, http.StatusRequestEntityTooLarge, fmt.Sprintf("the request is larger than %d KiB", most>>10), "send less at once")
	default:
		refuse(w, http.StatusBadRequest, "the request cannot be read", "send a form or a JSON object of strings")
	}
	return false
}

// allowed answers an address that guessed too often.
func (e *entrance) allowed(w http.ResponseWriter, r *http.Request) bool {
	if e.guesses.allowed(remote(r), time.Now()) {
		return true
	}
	w.Header().Set("Retry-After", "60")
	refuse(w, http.StatusTooManyRequests, "too many wrong tokens from this address", "wait a minute")
	return false
}

// admits answers a request without any of the tokens.
func (e *entrance) admits(w http.ResponseWriter, r *http.Request, got string, tokens ...string) bool {
	if matches(got, tokens...) {
		return true
	}
	e.guesses.wrong(remote(r), time.Now())
	w.Header().Set("WWW-Authenticate", "Bearer")
	refuse(w, http.StatusUnauthorized, "the token is missing or wrong", "send it as \"Authorization: Bearer\" or in the form field \"token\"")
	return false
}

// writing lets a request through that may write: of our own pages or a
// program, small, well-formed and with the token.
func (f *face) writing(most int64, next http.HandlerFunc) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		switch {
		case !f.read(w, r, most):
		case f.opts.TrustLocal:
			next(w, r)
		case f.opts.Token == "":
			refuse(w, http.StatusForbidden, "writing is switched off", "set a token in the configuration, or use the command line on the computer itself")
		case f.allowed(w, r) && f.admits(w, r, tokenOf(r), f.opts.Token):
			next(w, r)
		}
	}
}

// matches compares with each token in a time that tells nothing of them.
func matches(got string, tokens ...string) bool {
	a, hit := sha256.Sum256([]byte(got)), 0
	for _, t := range tokens {
		b := sha256.Sum256([]byte(t))
		hit |= subtle.ConstantTimeCompare(a[:], b[:])
	}
	return hit == 1
}

// bearer reads the token of a program.
func bearer(r *http.Request) (token string, given bool) {
	return strings.CutPrefix(r.Header.Get("Authorization"), "Bearer ")
}

func tokenOf(r *http.Request) string {
	if t, ok := bearer(r); ok {
		return t
	}
	return r.PostForm.Get("token")
}

// readForm fills r.PostForm from a form, with files or without, or from a JSON object of strings.
func readForm(r *http.Request) error {
	switch kind, _, _ := mime.ParseMediaType(r.Header.Get("Content-Type")); kind {
	case "application/json":
	case "multipart/form-data":
		return r.ParseMultipartForm(largestSaying)
	default:
		return r.ParseForm()
	}
	var fields map[string]string
	if err := json.NewDecoder(r.Body).Decode(&fields); err != nil {
		return err
	}
	r.PostForm = map[string][]string{}
	for k, v := range fields {
		r.PostForm.Set(k, v)
	}
	return nil
}

func remote(r *http.Request) string {
	host, _, err := net.SplitHostPort(r.RemoteAddr)
	if err != nil {
		return r.RemoteAddr
	}
	return host
}

// guesses counts wrong tokens by address.
type guesses struct {
	mu    sync.Mutex
	since time.Time // start of the minute counted
	count map[string]int
}

// A minute's worth: what one address may get wrong, and how many addresses are
// told apart before all are counted as one.
const (
	mostGuesses   = 10
	mostAddresses = 1000
)

func (g *guesses) allowed(who string, now time.Time) bool {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.turn(now)
	return g.count[who] < mostGuesses && g.count[""] < mostGuesses
}

func (g *guesses) wrong(who string, now time.Time) {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.turn(now)
	if _, known := g.count[who]; !known && len(g.count) >= mostAddresses {
		who = ""
	}
	g.count[who]++
}

func (g *guesses) turn(now time.Time) {
	if g.count == nil || now.Sub(g.since) >= time.Minute {
		g.since, g.count = now, map[string]int{}
	}
}
