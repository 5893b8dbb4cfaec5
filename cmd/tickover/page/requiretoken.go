package page

import (
	"bytes"
	"crypto/hmac"
	"crypto/sha256"
	_ "embed"
	"encoding/base64"
	"html/template"
	"net/http"
	"regexp"
	"strings"
	"time"

	"tickover/model"
)

//go:embed signin.html
var signInSource string

var signInTemplate = paged(signInSource)

// readerCookie is what a browser shows in place of the token. It lets in to
// read and to nothing else, so that no other site's page can write with it.
const readerCookie = "tickover_reader"

// readerLasts is how long a browser stays signed in.
const readerLasts = 90 * 24 * time.Hour

// door stands before everything that is served over the network and lets in
// who brings the reading token: a program as "Authorization: Bearer", a browser
// as a cookie that it is given in return for the token.
type requireToken struct {
	requestGuard
	next   http.Handler
	tokens []string // any of them lets in to read
	cookie string
}

// RequireToken guards next: who reads needs the reading token, or the writing one.
// Addresses that write are let through, since they ask for the writing token
// themselves.
func RequireToken(next http.Handler, reading, writing string) http.Handler {
	d := &requireToken{requestGuard: newRequestGuard(), next: next, tokens: []string{reading}, cookie: cookieFor(reading)}
	if writing != "" {
		d.tokens = append(d.tokens, writing)
	}
	return Guarded(d)
}

// cookieFor makes a browser's key from the token, which cannot be had from it.
// A new token makes it worthless.
func cookieFor(reading string) string {
	mac := hmac.New(sha256.New, []byte(reading))
	mac.Write([]byte(readerCookie))
	return base64.RawURLEncoding.EncodeToString(mac.Sum(nil))
}

// ServeHTTP implements http.Handler.
func (d *requireToken) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	switch token, given := bearer(r); {
	case r.Method == http.MethodPost && r.URL.Path == "/sign-in":
		d.signIn(w, r)
	case r.Method == http.MethodPost && strings.HasPrefix(r.URL.Path, "/api/"), d.signedIn(r):
		d.next.ServeHTTP(w, r)
	case !given:
		d.ask(w, r, http.StatusUnauthorized, "")
	case d.admits(w, r, token, d.tokens...):
		d.next.ServeHTTP(w, r)
	}
}

// signedIn does not count a wrong cookie as a guess: a page left open when the
// token changed would shut its own telephone out, and nobody guesses 256 bits.
func (d *requireToken) signedIn(r *http.Request) bool {
	c, err := r.Cookie(readerCookie)
	return err == nil && matches(c.Value, d.cookie)
}

// ask tells a program what is missing and shows a person where to type it.
func (d *requireToken) ask(w http.ResponseWriter, r *http.Request, status int, problem string) {
	w.Header().Set("WWW-Authenticate", "Bearer")
	back := r.PostForm.Get("back")
	if r.URL.Path != "/sign-in" {
		back = r.URL.RequestURI()
	}
	v := struct {
		Style                   template.CSS
		Back, Problem, Advisory string
	}{template.CSS(styleSource), back, problem, model.Advisory}
	var page bytes.Buffer
	if !forPerson(r) || signInTemplate.Execute(&page, v) != nil {
		refuse(w, status, "reading needs the token", "send it as \"Authorization: Bearer\"; it is in the file \"reading-token\" of the state folder")
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Header().Set("Content-Security-Policy", pagePolicy)
	w.WriteHeader(status)
	_, _ = w.Write(page.Bytes()) // the reader may be gone
}

// goBack matches the addresses of our own that a reader may be led back to.
var goBack = regexp.MustCompile(`^/([A-Za-z0-9][A-Za-z0-9/._-]*)?(\?[A-Za-z0-9=&+%._-]*)?$`)

// signIn gives a browser its cookie in return for the token.
func (d *requireToken) signIn(w http.ResponseWriter, r *http.Request) {
	if !d.ours(w, r) || !d.read(w, r, largestBody, d.unproven) {
		return
	}
	if !matches(r.PostForm.Get("token"), d.tokens...) {
		status := http.StatusUnauthorized
		if d.tooMany(w, r) {
			status = http.StatusTooManyRequests
		}
		d.ask(w, r, status, "This token is wrong. Check it and type it again.")
		return
	}
	http.SetCookie(w, &http.Cookie{Name: readerCookie, Value: d.cookie, Path: "/", MaxAge: int(readerLasts / time.Second), HttpOnly: true,
		Secure: r.TLS != nil, SameSite: http.SameSiteStrictMode})
	back := r.PostForm.Get("back")
	if !goBack.MatchString(back) {
		back = "/"
	}
	http.Redirect(w, r, back, http.StatusSeeOther)
}
