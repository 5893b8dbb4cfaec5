package main

import (
	"crypto/x509"
	"encoding/pem"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"tickover/cmd/tickover/daemon"
	"tickover/model"
)

// 500 connections from one address hold everything that they can get: nothing
// said, half a request, a slow body, streams, exports and reports. Metrics,
// health, the page and a note with the right token go on.
func TestTheDaemonIsReachedBehind500Connections(t *testing.T) {
	state := t.TempDir()
	address := started(t, "--config", guided(t), "--state", state)
	get(t, "http://"+address+"/healthz")
	for n := range 500 {
		conn, err := net.Dial("tcp", address)
		if err != nil {
			t.Fatal(err)
		}
		defer conn.Close()
		fmt.Fprint(conn, []string{"", "GET / HTTP/1.1\r\nHo",
			"POST /api/v1/notes HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Type: application/x-www-form-urlencoded\r\nContent-Length: 900000\r\n\r\ntext=",
			"GET /api/v1/stream HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n", "GET /api/v1/export HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n"}[n%5])
	}
	client := http.Client{Timeout: 5 * time.Second, Transport: &http.Transport{DisableKeepAlives: true}}
	word, err := daemon.Token(state, daemon.TokenName)
	if err != nil {
		t.Fatal(err)
	}
	for _, path := range []string{"/metrics", "/healthz", "/", "/api/v1/outlets"} {
		// The client's timeout is the limit here; testdata/peers/attack.sh holds the second.
		answer, err := client.Get("http://" + address + path)
		if err != nil || answer.StatusCode != http.StatusOK {
			t.Fatalf("%s behind 500 connections: %v %v", path, answer, err)
		}
		if _, err := io.Copy(io.Discard, answer.Body); err != nil {
			t.Errorf("%s: %v", path, err)
		}
		answer.Body.Close()
	}
	req, _ := http.NewRequest("POST", "http://"+address+"/api/v1/notes", strings.NewReader(url.Values{"text": {"leak"}}.Encode()))
	req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	req.Header.Set("Authorization", "Bearer "+word)
	answer, err := client.Do(req)
	if err != nil || answer.StatusCode != http.StatusOK {
		t.Errorf("a note behind 500 connections: %v %v", answer, err)
	}
}

// Our guard of passwords stands in front of the library's check, and the
// library's check in front of the page.
func TestPasswordsAreGuardedInFrontOfTheCheck(t *testing.T) {
	folder := t.TempDir()
	write(t, folder, "web.yaml", "basic_auth_users: {shed: '"+hash+"'}\n")
	address := started(t, "--config", write(t, folder, "tickover.yaml", "web config: web.yaml\n"))
	get(t, "http://"+address+"/healthz")
	ask := func(pass string) int {
		req, _ := http.NewRequest("GET", "http://"+address+"/healthz", nil)
		req.SetBasicAuth("shed", pass)
		answer, err := http.DefaultClient.Do(req)
		if err != nil {
			t.Fatal(err)
		}
		answer.Body.Close()
		return answer.StatusCode
	}
	closed := false
	for n := range 12 {
		req, _ := http.NewRequest("GET", "http://"+address+"/healthz", nil)
		req.SetBasicAuth("shed", fmt.Sprint("guess ", n))
		answer, err := http.DefaultClient.Do(req)
		if err != nil || answer.StatusCode != http.StatusUnauthorized {
			t.Fatalf("a wrong password: %v %v", answer, err)
		}
		closed = answer.Close
		answer.Body.Close()
	}
	if !closed {
		t.Error("the twelfth wrong password keeps its connection")
	}
	if got := ask("twelve volts"); got != http.StatusOK {
		t.Errorf("the right password after wrong ones: %d", got)
	}
}

// The daemon refuses a foreign name, on the page and on /metrics, and takes one
// of the configuration. The local socket asks for none.
func TestTheDaemonRefusesAForeignName(t *testing.T) {
	state := t.TempDir()
	address := started(t, "--config", guided(t, "host names: [skid7.example]"), "--state", state)
	get(t, "http://"+address+"/healthz")
	for host, want := range map[string]int{"evil.example": http.StatusMisdirectedRequest, "skid7.example:8485": http.StatusOK} {
		for _, path := range []string{"/", "/metrics", "/healthz"} {
			req, _ := http.NewRequest("GET", "http://"+address+path, nil)
			req.Host = host
			answer, err := http.DefaultClient.Do(req)
			if err != nil || answer.StatusCode != want {
				t.Fatalf("%s for %s: %v %v, want %d", path, host, answer, err, want)
			}
			answer.Body.Close()
		}
	}
	if out := must(t, "runs", "--state", state); !strings.Contains(out, "no runs") {
		t.Errorf("the local socket says %s", out)
	}
	if code, _, said := call(t, "check", "--config", guided(t, "host names: ['http://skid7.example']")); code != model.ConfigFault || !strings.Contains(said, "without http://") {
		t.Errorf("a wrong name: exit code %d\n%s", code, said)
	}
}

// Metrics and health are read, never written.
func TestMetricsAndHealthTakeNoOtherMethod(t *testing.T) {
	address := started(t, "--config", guided(t))
	get(t, "http://"+address+"/healthz")
	for _, path := range []string{"/metrics", "/healthz"} {
		answer, err := http.Post("http://"+address+path, "text/plain", nil)
		if err != nil || answer.StatusCode != http.StatusMethodNotAllowed || answer.Header.Get("Allow") != "GET, HEAD" {
			t.Fatalf("POST %s: %v %v", path, answer, err)
		}
		answer.Body.Close()
	}
}

// A certificate's names are names of the page.
func TestACertificatesNamesAreOurs(t *testing.T) {
	server := httptest.NewTLSServer(http.NotFoundHandler()) // its certificate is for example.com
	defer server.Close()
	folder := t.TempDir()
	text := pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: server.Certificate().Raw})
	write(t, folder, "own.pem", string(text))
	key, err := x509.MarshalPKCS8PrivateKey(server.TLS.Certificates[0].PrivateKey)
	if err != nil {
		t.Fatal(err)
	}
	write(t, folder, "own.key", string(pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: key})))
	g, err := daemon.ReadGuard(write(t, folder, "web.yaml", "tls_server_config: {cert_file: own.pem, key_file: own.key}\n"))
	if err != nil || !slices.Equal(g.Names, []string{"example.com", "*.example.com"}) {
		t.Errorf("%v, %v", g.Names, err)
	}
}
