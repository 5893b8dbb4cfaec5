package page

import (
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"

	"tickover/model"
)

const readingToken = "only for looking"

// guardedShed is a page behind its door, with metrics beside it.
func guardedShed(s *fakeRecord) http.Handler {
	mux := http.NewServeMux()
	mux.HandleFunc("GET /metrics", func(w http.ResponseWriter, _ *http.Request) { w.Write([]byte("genset_")) })
	mux.Handle("/", serve(s, Options{Token: token}))
	return RequireToken(mux, readingToken, token)
}

// signIn types the token into the form and returns the answer and the cookie.
func signIn(h http.Handler, word, back string) (*httptest.ResponseRecorder, string) {
	w := ask(h, "POST", "/sign-in", url.Values{"token": {word}, "back": {back}}.Encode(), "Accept", "text/html")
	for _, c := range w.Result().Cookies() {
		return w, c.Name + "=" + c.Value
	}
	return w, ""
}

func TestReadingNeedsTheTokenWhereThatIsWanted(t *testing.T) {
	s := hatchery()
	h := guardedShed(s)
	_, cookie := signIn(h, readingToken, "/")
	for _, path := range []string{"/", "/alarms", "/next", "/trends", "/runs", "/runs/1", "/runs/1/report", "/timeline", "/metrics", "/api/v1/now", "/api/v1/events",
		"/api/v1/export", "/api/v1/openapi.yaml", "/api/v1/nothing", "/nothing", "/sign-in"} {
		for name, c := range map[string]struct {
			header []string
			open   bool
		}{
			"nothing": {nil, false}, "a wrong token": {[]string{"Authorization", "Bearer guess"}, false}, "an empty token": {[]string{"Authorization", "Bearer "}, false},
			"a wrong cookie": {[]string{"Cookie", readerCookie + "=guess"}, false}, "the token as a cookie": {[]string{"Cookie", readerCookie + "=" + readingToken}, false},
			"the token": {[]string{"Authorization", "Bearer " + readingToken}, true}, "the writing token": {[]string{"Authorization", "Bearer " + token}, true},
			"the cookie": {[]string{"Cookie", cookie}, true},
		} {
			w := ask(guardedShed(s), "GET", path, "", c.header...)
			if (w.Code != http.StatusUnauthorized) != c.open || !c.open && (strings.Contains(w.Body.String(), "genset_") || strings.Contains(w.Body.String(), "loaded") || w.Header().Get("WWW-Authenticate") != "Bearer") {
				t.Errorf("%s with %s: %d %.200s", path, name, w.Code, w.Body)
			}
		}
	}
}

func TestBrowserGetsACookieInReturnForTheToken(t *testing.T) {
	h := guardedShed(hatchery().alarmed())
	w := ask(h, "GET", "/trends?span=1h", "", "Accept", "text/html")
	for _, want := range []string{`action="/sign-in"`, `value="/trends?span=1h"`, `name="token"`} {
		if w.Code != http.StatusUnauthorized || !strings.Contains(w.Body.String(), want) || strings.Contains(w.Body.String(), "Oil pressure") {
			t.Errorf("no %s in the form: %d %s", want, w.Code, w.Body)
		}
	}
	if w, cookie := signIn(h, "guess", "/"); w.Code != http.StatusUnauthorized || cookie != "" || !strings.Contains(w.Body.String(), "This token is wrong.") {
		t.Errorf("a wrong token: %d, cookie %q\n%s", w.Code, cookie, w.Body)
	}
	w, cookie := signIn(h, readingToken, "/trends?span=1h")
	if w.Code != http.StatusSeeOther || w.Header().Get("Location") != "/trends?span=1h" {
		t.Errorf("signed in: %d to %q", w.Code, w.Header().Get("Location"))
	}
	c := w.Result().Cookies()[0]
	if !c.HttpOnly || c.SameSite != http.SameSiteStrictMode || c.MaxAge <= 0 || c.Path != "/" || strings.Contains(c.Value, readingToken) {
		t.Errorf("cookie %+v", c)
	}
	if w := ask(h, "POST", "/api/v1/notes", "text=x", "Cookie", cookie); w.Code != http.StatusUnauthorized {
		t.Errorf("a cookie writes: %d", w.Code)
	}
	if w := ask(h, "POST", "/api/v1/notes", "text=x", "Authorization", "Bearer "+readingToken); w.Code != http.StatusUnauthorized {
		t.Errorf("the reading token writes: %d", w.Code)
	}
	if w := ask(h, "POST", "/api/v1/notes", "text=x", "Authorization", "Bearer "+token); w.Code != http.StatusOK {
		t.Errorf("the writing token does not write: %d", w.Code)
	}
}

func TestSigningInLeadsNowhereElse(t *testing.T) {
	h := guardedShed(hatchery())
	for _, back := range []string{"//elsewhere.example", "https://elsewhere.example", `/\elsewhere.example`, "/%0d%0aX: y", "", "javascript:alert(1)", "/.//x", "/\r\nX: y"} {
		if w, _ := signIn(h, readingToken, back); w.Code != http.StatusSeeOther || w.Header().Get("Location") != "/" {
			t.Errorf("%q leads to %q", back, w.Header().Get("Location"))
		}
	}
	w := ask(h, "POST", "/sign-in", "token="+url.QueryEscape(readingToken), "Sec-Fetch-Site", "cross-site")
	if w.Code != http.StatusForbidden || len(w.Result().Cookies()) != 0 {
		t.Errorf("another site signs in: %d", w.Code)
	}
	if w := ask(h, "POST", "/sign-in", "token="+strings.Repeat("x", 1<<20)); w.Code != http.StatusRequestEntityTooLarge {
		t.Errorf("a huge form: %d", w.Code)
	}
	r := httptest.NewRequest("POST", "https://skid/sign-in", strings.NewReader("token="+url.QueryEscape(readingToken)))
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	r.Header.Set("Origin", "https://skid") // an older browser, without Sec-Fetch-Site
	answer := httptest.NewRecorder()
	h.ServeHTTP(answer, r)
	if c := answer.Result().Cookies(); len(c) != 1 || !c[0].Secure {
		t.Errorf("over TLS the cookie is %v", c)
	}
}

func TestReadersAreCountedToo(t *testing.T) {
	h := guardedShed(hatchery())
	_, cookie := signIn(h, readingToken, "/")
	for range mostGuesses {
		if w := ask(h, "GET", "/metrics", "", "Authorization", "Bearer guess"); w.Code != 401 {
			t.Fatalf("a guess gives %d", w.Code)
		}
		// A page left open after the token changed asks on and is no guess.
		ask(h, "GET", "/", "", "Cookie", readerCookie+"=old")
		ask(h, "GET", "/", "")
	}
	if w := ask(h, "GET", "/metrics", "", "Authorization", "Bearer guess"); w.Code != 429 {
		t.Errorf("one guess more gives %d", w.Code)
	}
	if w, _ := signIn(h, "guess", "/"); w.Code != 429 {
		t.Errorf("one guess more in the form gives %d", w.Code)
	}
	if w := ask(h, "GET", "/metrics", "", "Authorization", "Bearer "+readingToken); w.Code != 200 {
		t.Errorf("the right token after guesses: %d", w.Code)
	}
	if w, _ := signIn(h, readingToken, "/"); w.Code != 303 {
		t.Errorf("the right token in the form after guesses: %d", w.Code)
	}
	if w := ask(h, "GET", "/", "", "Cookie", cookie); w.Code != 200 {
		t.Errorf("who is signed in is refused: %d", w.Code)
	}
}

func TestRefusedReadersAreAnsweredAsDescribed(t *testing.T) {
	doc := description(t)
	for path, item := range doc["paths"].(object) {
		get, ok := item.(object)["get"].(object)
		if !ok {
			continue
		}
		answer := dig(doc, get, "responses", "401", "content", "application/json", "schema")
		w := ask(guardedShed(hatchery()), "GET", path, "")
		if w.Code != http.StatusUnauthorized || answer == nil {
			t.Errorf("%s answers %d, described as %v", path, w.Code, answer)
			continue
		}
		for _, wrong := range mismatches(doc, answer.(object), decode[any](t, w), path) {
			t.Error(wrong)
		}
	}
}

// A new token makes every cookie of the old one worthless.
func TestANewTokenEndsOldCookies(t *testing.T) {
	_, cookie := signIn(guardedShed(hatchery()), readingToken, "/")
	next := RequireToken(serve(hatchery(), Options{Now: func() model.Instant { return now }}), "another word", "")
	if w := ask(next, "GET", "/", "", "Cookie", cookie); w.Code != http.StatusUnauthorized {
		t.Errorf("got %d", w.Code)
	}
}
