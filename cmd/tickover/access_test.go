package main

import (
	"context"
	"crypto/tls"
	"io"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"tickover/cmd/tickover/daemon"
	"tickover/model"
)

// guided writes a configuration without devices and returns its path.
func guided(t *testing.T, more ...string) string {
	t.Helper()
	return write(t, t.TempDir(), "tickover.yaml", "set: {name: Standby}\n"+strings.Join(more, "\n")+"\n")
}

func write(t *testing.T, folder, name, text string) string {
	t.Helper()
	path := filepath.Join(folder, name)
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// started starts the daemon and returns its address; it ends with the test.
func started(t *testing.T, args ...string) string {
	t.Helper()
	address := freeAddress(t)
	ctx, stop := context.WithCancel(context.Background())
	done := make(chan model.FaultCode)
	var said strings.Builder
	go func() {
		done <- Main(ctx, append([]string{"run", "--state", t.TempDir(), "--listen", address}, args...), io.Discard, &said)
	}()
	t.Cleanup(func() {
		stop()
		if code := <-done; code != model.NoFault {
			t.Errorf("the daemon ended with %d\n%s", code, &said)
		}
	})
	return address
}

// hash is the bcrypt hash of "twelve volts", cost 4 to keep the test short.
const hash = "$2b$04$abcdefghijklmnopqrstuuXy9IVE6cfmYYOLXQqw/4juIdFNdddBO"

// Everything served over the network asks for the password; the local socket
// in the state folder does not.
func TestPasswordAndCertificateGuardEverythingServed(t *testing.T) {
	folder := t.TempDir()
	pool := certificate(t, folder)
	write(t, folder, "web.yaml", "tls_server_config: {cert_file: cert.pem, key_file: key.pem}\nbasic_auth_users: {shed: '"+hash+"'}\n")
	config := write(t, folder, "tickover.yaml", "web config: web.yaml\n")
	address := started(t, "--config", config)
	client := &http.Client{Transport: &http.Transport{TLSClientConfig: &tls.Config{RootCAs: pool}}}
	ask := func(path, password string) (int, string) {
		req, _ := http.NewRequest(http.MethodGet, "https://"+address+path, nil)
		if password != "" {
			req.SetBasicAuth("shed", password)
		}
		for range 100 {
			resp, err := client.Do(req)
			if err == nil {
				defer resp.Body.Close()
				body, _ := io.ReadAll(resp.Body)
				return resp.StatusCode, string(body)
			}
			time.Sleep(20 * time.Millisecond)
		}
		t.Fatalf("%s never answered", address)
		return 0, ""
	}
	for _, path := range []string{"/", "/metrics", "/healthz", "/api/v1/now", "/runs"} {
		for password, want := range map[string]int{"": 401, "wrong": 401, "twelve volts": 200} {
			if code, body := ask(path, password); code != want {
				t.Errorf("%s with password %q: %d, want %d\n%s", path, password, code, want, body)
			}
		}
	}
	if resp, err := http.Get("http://" + address + "/metrics"); err == nil && resp.StatusCode == http.StatusOK {
		t.Error("plain HTTP is served beside TLS")
	}
}

// With "reading: by token" everything served over the network asks for the
// token in the state folder; the local socket does not.
func TestReadingByTokenGuardsEverythingServed(t *testing.T) {
	state := t.TempDir()
	address := started(t, "--config", guided(t, "reading: by token"), "--state", state)
	for _, path := range []string{"/", "/metrics", "/healthz", "/api/v1/now", "/runs"} {
		if body := get(t, "http://"+address+path); !strings.Contains(body, "reading needs the token") {
			t.Errorf("%s without a token: %s", path, body)
		}
	}
	word, err := os.ReadFile(filepath.Join(state, daemon.ReadingTokenName))
	if err != nil {
		t.Fatal(err)
	}
	if st, err := os.Stat(filepath.Join(state, daemon.ReadingTokenName)); err != nil || st.Mode().Perm() != 0o600 {
		t.Errorf("the token's file: %v %v", st.Mode(), err)
	}
	req, _ := http.NewRequest(http.MethodGet, "http://"+address+"/metrics", nil)
	req.Header.Set("Authorization", "Bearer "+strings.TrimSpace(string(word)))
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	if body, _ := io.ReadAll(resp.Body); !strings.Contains(string(body), "tickover_build_info") {
		t.Errorf("with the token: %s", body)
	}
	if out := must(t, "runs", "--state", state); !strings.Contains(out, "no runs") {
		t.Errorf("the local socket says %s", out)
	}
}

func TestWhatIsWrongWithAccessIsSaid(t *testing.T) {
	folder := t.TempDir()
	certificate(t, folder)
	password := "basic_auth_users: {shed: '" + hash + "'}\n"
	write(t, folder, "password.yaml", password)
	write(t, folder, "cert-only.yaml", "tls_server_config: {cert_file: cert.pem, key_file: key.pem}\n")
	write(t, folder, "plain.yaml", "basic_auth_users: {shed: secret}\n")
	write(t, folder, "lost.yaml", "tls_server_config: {cert_file: gone.pem, key_file: key.pem}\n")
	write(t, folder, "key.yaml", "basic_auth_user: {shed: secret}\n")
	for _, c := range []struct {
		config, listen string
		code           model.FaultCode
		says           string
	}{
		{"", "8485", model.ConfigFault, `"8485" is not a host and port`},
		{"", "127.0.0.1:65536", model.ConfigFault, `"127.0.0.1:65536" is not a host and port`},
		{"", "0.0.0.0:0", model.ConfigFault, "without a password"},
		{"", "[::]:0", model.ConfigFault, "without a password"},
		{"web config: cert-only.yaml", "0.0.0.0:0", model.ConfigFault, "without a password"},
		{"web config: password.yaml", "0.0.0.0:0", model.NoFault, "passwords cross the network unencrypted"},
		{"reading without password: allowed", "0.0.0.0:0", model.NoFault, ""},
		{"web config: plain.yaml", "127.0.0.1:0", model.ConfigFault, "bcrypt"},
		{"web config: lost.yaml", "127.0.0.1:0", model.ConfigFault, "gone.pem"},
		{"web config: key.yaml", "127.0.0.1:0", model.ConfigFault, "basic_auth_user"},
		{"web config: none.yaml", "127.0.0.1:0", model.ConfigFault, "none.yaml"},
		{"reading: by token", "0.0.0.0:0", model.NoFault, "passwords cross the network unencrypted"},
		{"reading: by token\nweb config: password.yaml", "127.0.0.1:0", model.ConfigFault, "a program can send only one"},
	} {
		path := write(t, folder, "tickover.yaml", "set: {name: a}\n"+c.config+"\n")
		code, _, said := call(t, "run", "--config", path, "--state", t.TempDir(), "--listen", c.listen, "--for", "100ms")
		if code != c.code || !strings.Contains(said, c.says) || code != model.NoFault && !strings.Contains(said, "hint:") {
			t.Errorf("%q on %s: exit code %d, want %d with %q\n%s", c.config, c.listen, code, c.code, c.says, said)
		}
	}
}

func TestAPortInUseIsSaid(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	code, _, said := call(t, "run", "--config", guided(t), "--state", t.TempDir(), "--listen", l.Addr().String(), "--for", "1s")
	if code != model.RuntimeFault || !strings.Contains(said, "in use") || !strings.Contains(said, "--listen") {
		t.Errorf("exit code %d\n%s", code, said)
	}
}

// A fresh installation runs and says what to do, everywhere one may look.
func TestWithoutDevicesTheDaemonGuides(t *testing.T) {
	config := guided(t)
	address := started(t, "--config", config)
	// A phone has no command line: the page says where to go.
	for path, want := range map[string]string{"/": "Add the devices on the line to the configuration", "/healthz": "survey"} {
		if body := get(t, "http://"+address+path); !strings.Contains(body, want) {
			t.Errorf("%s does not guide:\n%s", path, body)
		}
	}
	if body := get(t, "http://"+address+"/metrics"); !strings.Contains(body, "tickover_build_info") {
		t.Errorf("the metrics say\n%s", body)
	}
	if out := must(t, "check", "--config", config); !strings.Contains(out, "survey") {
		t.Errorf("check says\n%s", out)
	}
}

// The token is made at the first start, for its owner alone; the socket is for
// the folder's group.
func TestTokenAndSocketAreForTheirOwners(t *testing.T) {
	state := t.TempDir()
	ctx, stop := context.WithCancel(context.Background())
	done := make(chan model.FaultCode)
	address := freeAddress(t)
	go func() {
		done <- Main(ctx, []string{"run", "--config", guided(t), "--state", state, "--listen", address}, io.Discard, io.Discard)
	}()
	get(t, "http://"+address+"/healthz")
	for name, want := range map[string]os.FileMode{"token": 0o600, "tickover.sock": 0o660} {
		st, err := os.Stat(filepath.Join(state, name))
		if err != nil || st.Mode().Perm() != want {
			t.Errorf("%s: %v, %v, want %v", name, st.Mode(), err, want)
		}
	}
	stop()
	<-done
}
