package page

import (
	"context"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"mime"
	"net"
	"net/http"
	"net/netip"
	"os"
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
		next.ServeHTTP(w, r.WithContext(context.WithValue(r.Context(), senderKey{}, remote(r))))
	})
}

// senderKey is that of the sender's address in a request's context.
type senderKey struct{}

func sender(ctx context.Context) string {
	s, _ := ctx.Value(senderKey{}).(string)
	return s
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

// methods lists those that an address takes besides what is caught by the
// fallback pattern.
func methods(mux *http.ServeMux, r *http.Request, fallback string) []string {
	var allowed []string
	for _, m := range []string{http.MethodGet, http.MethodHead, http.MethodPost} {
		other := r.Clone(r.Context())
		other.Method = m
		if _, pattern := mux.Handler(other); pattern != fallback && pattern != "" {
			allowed = append(allowed, m)
		}
	}
	return allowed
}

func wrongMethod(w http.ResponseWriter, r *http.Request, allowed ...string) {
	w.Header().Set("Allow", strings.Join(allowed, ", "))
	refuse(w, http.StatusMethodNotAllowed, fmt.Sprintf("this address does not accept %.20q", r.Method), "use "+strings.Join(allowed, " or "))
}

// ReadOnly refuses every method but GET and HEAD.
func ReadOnly(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.Method == http.MethodGet || r.Method == http.MethodHead {
			next.ServeHTTP(w, r)
			return
		}
		wrongMethod(w, r, http.MethodGet, http.MethodHead)
	})
}

// largestBody bounds what anybody may send without a photo, in bytes.
const largestBody = 16 << 10

// tokenHeader carries the token where "Authorization" carries a password.
const tokenHeader = "Tickover-Token"

// entrance is what a request passes that brings a body or a token.
type requestGuard struct {
	guesses  guesses
	proven   *turnstile
	unproven *turnstile
	origin   *http.CrossOriginProtection
}

func newRequestGuard() requestGuard {
	return requestGuard{proven: newTurnstile(mostBodies, 4*mostBodies, provenShare), unproven: newTurnstile(mostUnproven, 4*mostUnproven, unprovenShare),
		origin: http.NewCrossOriginProtection()}
}

// ours refuses what another site's page sends.
func (e *requestGuard) ours(w http.ResponseWriter, r *http.Request) bool {
	err := e.origin.Check(r)
	if err != nil {
		refuse(w, http.StatusForbidden, "the request came from another site's page", "use the page itself")
	}
	return err == nil
}

// read takes in the form of a request of our own pages or a program, and
// answers one that it does not take. at limits how many are read at once.
func (e *requestGuard) read(w http.ResponseWriter, r *http.Request, most int64, at *turnstile) bool {
	large := func() {
		refuse(w, http.StatusRequestEntityTooLarge, fmt.Sprintf("the request is larger than %d KiB", most>>10), "send less at once")
	}
	if r.ContentLength > most {
		large()
		return false
	}
	body := newPacedBody(w, r, most, at, at == e.proven)
	r.Body = http.MaxBytesReader(w, body, most)
	err := readForm(r)
	body.end()
	var over *http.MaxBytesError
	switch {
	case err == nil:
		return true
	case errors.As(err, &over):
		large()
	case errors.Is(err, errNoTurn):
		w.Header().Set("Connection", "close")
		w.Header().Set("Retry-After", "10")
		refuse(w, http.StatusServiceUnavailable, "too many photos are being received", "send it again in 10 s")
	case errors.Is(err, os.ErrDeadlineExceeded):
		w.Header().Set("Connection", "close")
		refuse(w, http.StatusRequestTimeout, "the request came too slowly", "send it again where the network is better, or without the photo")
	default:
		refuse(w, http.StatusBadRequest, "the request cannot be read", "send a form or a JSON object of strings")
	}
	return false
}

// admits answers a request without any of the tokens. Only wrong ones are
// counted and limited: the right one is accepted whatever came before it.
func (e *requestGuard) admits(w http.ResponseWriter, r *http.Request, got string, tokens ...string) bool {
	if matches(got, tokens...) {
		return true
	}
	w.Header().Set("WWW-Authenticate", "Bearer")
	if e.tooMany(w, r) {
		refuse(w, http.StatusTooManyRequests, "too many wrong tokens from this address", "wait a minute, or send the correct token, which is accepted at once")
		return false
	}
	refuse(w, http.StatusUnauthorized, "the token is missing or wrong", "type the token of this logger again; a program sends it as \"Authorization: Bearer\"")
	return false
}

// tooMany counts a wrong token. One too many from an address loses its
// connection, so that the next costs it more than us.
func (e *requestGuard) tooMany(w http.ResponseWriter, r *http.Request) bool {
	over := e.guesses.wrong(remote(r), time.Now())
	if over {
		w.Header().Set("Connection", "close")
		w.Header().Set("Retry-After", "60")
	}
	return over
}

// writing lets a request through that may write: of our own pages or a
// program, small, well-formed and with the token. A token in a header is
// checked before the body is read.
func (srv *server) writing(most int64, next http.HandlerFunc) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		token, given := headerToken(r)
		switch {
		case !srv.ours(w, r):
		case srv.opts.TrustLocal:
			if srv.read(w, r, most, srv.proven) {
				next(w, r)
			}
		case srv.opts.Token == "":
			refuse(w, http.StatusForbidden, "writing over the network is off", "set a token in the configuration, or write at the logger itself")
		case given:
			if srv.admits(w, r, token, srv.opts.Token) && srv.read(w, r, most, srv.proven) {
				next(w, r)
			}
		case srv.read(w, r, most, srv.unproven) && srv.admits(w, r, r.PostForm.Get("token"), srv.opts.Token):
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

// headerToken reads the token for writing from the headers.
func headerToken(r *http.Request) (token string, given bool) {
	if token = r.Header.Get(tokenHeader); token != "" {
		return token, true
	}
	return bearer(r)
}

// readForm fills r.PostForm from a form, with files or without, or from a JSON object of strings.
func readForm(r *http.Request) error {
	switch kind, _, _ := mime.ParseMediaType(r.Header.Get("Content-Type")); kind {
	case "application/json":
	case "multipart/form-data":
		return r.ParseMultipartForm(largestNote)
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

func remote(r *http.Request) string { return addressOf(r.RemoteAddr) }

// addressOf is the part of a remote address that identifies a sender: an
// IPv4 address, or the network of 64 bits in which an IPv6 host chooses its own.
func addressOf(remote string) string {
	host, _, err := net.SplitHostPort(remote)
	if err != nil {
		return remote
	}
	ip, err := netip.ParseAddr(host)
	if err != nil {
		return host
	}
	if ip = ip.Unmap().WithZone(""); ip.Is4() {
		return ip.String()
	}
	return netip.PrefixFrom(ip, 64).Masked().String()
}

// guesses counts wrong tokens by address.
type guesses struct {
	mu    sync.Mutex
	since time.Time // start of the minute counted
	count map[string]int
}

// A minute's worth: what one address may get wrong before it is answered
// shortly, and how many addresses are counted; further ones are not.
const (
	mostGuesses   = 10
	mostAddresses = 1000
)

// over reports whether an address got too much wrong already.
func (g *guesses) over(who string, now time.Time) bool {
	g.mu.Lock()
	defer g.mu.Unlock()
	return now.Sub(g.since) < time.Minute && g.count[who] >= mostGuesses
}

// wrong counts a wrong token and reports whether it is one too many.
func (g *guesses) wrong(who string, now time.Time) bool {
	g.mu.Lock()
	defer g.mu.Unlock()
	if g.count == nil || now.Sub(g.since) >= time.Minute {
		g.since, g.count = now, map[string]int{}
	}
	if _, known := g.count[who]; !known && len(g.count) >= mostAddresses {
		return false
	}
	g.count[who]++
	return g.count[who] > mostGuesses
}
