package main

import (
	"bytes"
	"context"
	"encoding/base64"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"tickover/cmd/tickover/daemon"
	"tickover/model"
)

// The secrets of the configuration below; each server sends back what it gets.
const (
	pathToken  = "Aalquappe-9f3c71"
	queryToken = "Barbe+/58d2e4"
	password   = "Bachforelle 1/2"
	beatToken  = "Saibling-77aa01"
	signingKey = "Rotauge-Schluessel"
)

// echo answers 500 and with everything that it was sent, in the reason phrase
// and in the body, which it repeats until it is longer than what is read of it.
func echo(t *testing.T) (server *httptest.Server, came func() int) {
	var mu sync.Mutex
	n := 0
	server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		mu.Lock()
		n++
		mu.Unlock()
		_, pass, _ := r.BasicAuth()
		words := strings.Join([]string{r.URL.Path, r.URL.Query().Get("key"), r.Header.Get("Authorization"), pass, r.RequestURI}, " ")
		conn, out, err := w.(http.Hijacker).Hijack()
		if err != nil {
			t.Error(err)
			return
		}
		defer conn.Close()
		body := strings.Repeat(words+" ", 1+400/len(words))
		fmt.Fprintf(out, "HTTP/1.1 500 %s\r\nContent-Length: %d\r\nConnection: close\r\n\r\n%s", words, len(body), body)
		out.Flush()
	}))
	t.Cleanup(server.Close)
	return server, func() int { mu.Lock(); defer mu.Unlock(); return n }
}

// A token within an address, and whatever a server sends back, show in no log,
// page, API, metrics, state folder or backup.
func TestAnAddressIsASecretWhateverTheServerSendsBack(t *testing.T) {
	server, came := echo(t)
	folder, state := t.TempDir(), filepath.Join(t.TempDir(), "state")
	write(t, folder, "chat.address", server.URL+"/in/"+pathToken+"?key="+url.QueryEscape(queryToken)+"\n")
	write(t, folder, "letter.password", password+"\n")
	write(t, folder, "letter.key", signingKey+"\n")
	t.Setenv("TICKOVER_TEST_BEAT", server.URL+"/beat/"+beatToken)
	config := write(t, folder, "tickover.yaml", `set: {name: Standby}
notify:
  targets:
    - {name: chat, webhook file: chat.address}
    - {name: inline, webhook: "`+server.URL+"/in/"+pathToken+`"}
    - {name: letter, webhook: "`+server.URL+`/in", user: skid, password file: letter.password, sign file: letter.key}
    - {name: router, alertmanager file: chat.address}
  routes: [{priority: information, to: [chat, inline, letter, router]}]
  heartbeat: {url from: TICKOVER_TEST_BEAT, every: 5 s}
remote write: [{name: central, url file: chat.address}]
`)
	ctx, stop := context.WithCancel(context.Background())
	done := make(chan model.FaultCode)
	var log bytes.Buffer
	at := freeAddress(t)
	go func() {
		done <- Main(ctx, []string{"run", "--config", config, "--state", state, "--listen", at}, io.Discard, &log)
	}()
	get(t, "http://"+at+"/healthz")
	_, tested, failed := call(t, "alarms", "test", "--state", state)
	waitFor(t, "the servers' answers", func() bool { return came() >= 5 })
	shown := map[string]string{"alarms test": tested + failed, "the list of outlets": must(t, "outlets", "--json", "--state", state)}
	for _, path := range []string{"/", "/alarms", "/timeline", "/metrics", "/api/v1/outlets", "/api/v1/events", "/api/v1/alarms"} {
		shown[path] = get(t, "http://"+at+path)
	}
	copied := filepath.Join(t.TempDir(), "copy")
	must(t, "backup", "--state", state, copied)
	stop()
	<-done
	shown["the log"] = log.String()
	for _, root := range []string{state, copied} {
		if err := filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
			if err == nil && d.Type().IsRegular() {
				text, err := os.ReadFile(path)
				shown[path] = string(text)
				return err
			}
			return err
		}); err != nil {
			t.Fatal(err)
		}
	}
	if len(shown) < 12 || !strings.Contains(shown["alarms test"], "the server answers 500") || !strings.Contains(shown["alarms test"], daemon.Hidden) {
		t.Fatalf("%d texts were looked at; the test says\n%s", len(shown), shown["alarms test"])
	}
	for where, text := range shown {
		for _, s := range []string{pathToken, queryToken, url.QueryEscape(queryToken), password, beatToken, signingKey,
			base64.StdEncoding.EncodeToString([]byte("skid:" + password)), pathToken[:daemon.ShortestRest], password[:daemon.ShortestRest]} {
			if strings.Contains(text, s) {
				t.Errorf("%q stands in %s", s, where)
			}
		}
	}
}

func TestSecretsAreTakenOutOfTexts(t *testing.T) {
	var s daemon.Secrets
	s.Remember("open sesame", "abc")
	for text, want := range map[string]string{
		"you sent open sesame":                            "you sent [secret]",
		"open+sesame and open%20sesame":                   "[secret] and [secret]",
		"Basic b3BlbiBzZXNhbWU= is wrong":                 "Basic [secret] is wrong",
		"cut off in open sesa":                            "cut off in [secret]",
		"it is open":                                      "it is open",
		"abc is too short to be looked for: abcdef":       "abc is too short to be looked for: abcdef",
		"open sesame" + strings.Repeat(" open sesame", 2): "[secret] [secret] [secret]",
	} {
		if got := s.Strip(text); got != want {
			t.Errorf("%q becomes %q, want %q", text, got, want)
		}
	}
	for n := range 2 * daemon.MostForms {
		s.Remember(fmt.Sprintf("number %d", n))
	}
	if len(s.Forms) != daemon.MostForms {
		t.Errorf("%d texts are remembered", len(s.Forms))
	}
}

// The log is stripped wherever the secret stands: message, text, error, group,
// and what was bound before.
func TestSecretsAreTakenOutOfTheLog(t *testing.T) {
	var s daemon.Secrets
	s.Remember("open sesame")
	var out strings.Builder
	log := slog.New(s.Handler(slog.NewTextHandler(&out, nil))).With("bound", "open sesame").WithGroup("g")
	log.Error("open sesame", "text", "open sesame", "err", errors.New("open sesame"), slog.Group("in", "deep", "open sesame"), "n", 3)
	if strings.Contains(out.String(), "sesame") || strings.Count(out.String(), daemon.Hidden) != 5 || !strings.Contains(out.String(), "g.n=3") {
		t.Error(out.String())
	}
}

// What is wrong with an address that is kept in a file is said without it.
func TestABadAddressInAFileIsNamedByItsFile(t *testing.T) {
	for text, hint := range map[string]string{
		"ftp://a.example/" + pathToken: "https://host:port/path",
		pathToken:                      "https://host:port/path",
		"https://skid:" + pathToken + "@a.example": "without user and password",
		"http://a.example/" + pathToken:            "use https://",
		"":                                         "put the secret into its first line",
	} {
		file := write(t, t.TempDir(), "address", text+"\n")
		c, err := new(daemon.Secrets).Client(model.Access{}, daemon.Address{From: model.Secret{File: file}})
		if err != nil {
			t.Fatal(err)
		}
		_, err = c.Get(daemon.StandIn("chat"))
		if err == nil || strings.Contains(err.Error(), pathToken) || !strings.Contains(err.Error(), file) || !strings.Contains(model.HintOf(err), hint) {
			t.Errorf("%q: %v (hint %q)", text, err, model.HintOf(err))
		}
	}
}
