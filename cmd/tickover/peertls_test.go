//go:build peers

package main

import (
	"crypto/tls"
	"crypto/x509"
	"fmt"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"tickover/cmd/tickover/daemon"
	"tickover/model"
)

// Debian's Prometheus behind TLS and a password: readings are let in, and a
// doubtful certificate, a wrong password and a port without TLS are told with
// the cure.
func TestPeerPrometheusTLS(t *testing.T) {
	t.Parallel()
	folder := t.TempDir()
	a := newAuthority(t, folder)
	a.issue("server", func(*x509.Certificate) {})
	web := write(t, folder, "web.yml", "tls_server_config: {cert_file: server.pem, key_file: server.key}\nbasic_auth_users: {shed: '"+hash+"'}\n")
	p := newPrometheus(t, "30d", receiver, "--web.config.file="+web)
	p.base = "https://shed:twelve%20volts@" + p.address
	settings, err := daemon.Encryption(model.TLS{Authority: a.trusted()})
	if err != nil {
		t.Fatal(err)
	}
	p.http = &http.Client{Transport: &http.Transport{TLSClientConfig: settings}}
	p.start()
	url := "https://" + p.address + "/api/v1/write"
	access := func(password string) model.Access {
		return model.Access{User: "shed", Password: model.Secret{File: write(t, folder, "password", password+"\n")}, TLS: model.TLS{Authority: a.trusted()}}
	}
	explained(t, "wrong password", pushOnce(t, url, access("six volts")), "401", "user or password is wrong")
	unknown := access("twelve volts")
	unknown.TLS = model.TLS{}
	explained(t, "nobody vouches", pushOnce(t, url, unknown), "certificate", "trust file:")
	explained(t, "no TLS", pushOnce(t, "http://"+p.address+"/api/v1/write", access("twelve volts")), "HTTPS", "https://")
	for name, d := range doubtful {
		a.issue("server", d.change) // the server reads it at every connection
		explained(t, name, pushOnce(t, url, access("twelve volts")), "certificate", d.hint)
	}
	a.issue("server", func(*x509.Certificate) {})
	if h := pushOnce(t, url, access("twelve volts")); h.Sent != 1 || h.Trouble != "" {
		t.Errorf("not let in: %+v", h)
	}
	if n := p.count(`{job="tickover"}`); n != 1 {
		t.Errorf("%d samples are there, want the one that was let in", n)
	}
}

// Debian's Mosquitto with one listener for each certificate, and one without.
func TestPeerMosquittoTLS(t *testing.T) {
	t.Parallel()
	folder := t.TempDir()
	a := newAuthority(t, folder)
	passwords := filepath.Join(folder, "passwords")
	if out, err := exec.Command("mosquitto_passwd", "-b", "-c", passwords, "skid", "right").CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	if err := os.Chmod(passwords, 0o644); err != nil {
		t.Fatal(err)
	}
	text := "allow_anonymous false\npassword_file " + passwords + "\nuser root\n"
	listener := func(name string) string {
		address := freeAddress(t)
		_, port, _ := strings.Cut(address, ":")
		text += "listener " + port + " 127.0.0.1\n"
		if name != "" {
			text += fmt.Sprintf("certfile %s/%s.pem\nkeyfile %[1]s/%[2]s.key\n", folder, name)
		}
		return address
	}
	a.issue("good", func(*x509.Certificate) {})
	good, plain := listener("good"), listener("")
	bad := map[string]string{}
	for name, d := range doubtful {
		a.issue(name, d.change)
		bad[name] = listener(name)
	}
	server(t, "mosquitto", "-c", write(t, folder, "m.conf", text))
	right, wrong := write(t, folder, "right", "right\n"), write(t, folder, "wrong", "wrong\n")
	access := func(file string) model.Access {
		return model.Access{User: "skid", Password: model.Secret{File: file}, TLS: model.TLS{Authority: a.trusted()}}
	}
	waitFor(t, "Mosquitto", func() bool {
		c, err := tls.Dial("tcp", good, &tls.Config{InsecureSkipVerify: true})
		return err == nil && c.Close() == nil
	})
	for name, address := range bad {
		explained(t, name, publishOnce(t, address, access(right)), "certificate", doubtful[name].hint)
	}
	explained(t, "wrong password", publishOnce(t, good, access(wrong)), "", "user or password is wrong or missing")
	unknown := access(right)
	unknown.TLS = model.TLS{}
	explained(t, "nobody vouches", publishOnce(t, good, unknown), "certificate", "trust file:")
	explained(t, "no TLS", publishOnce(t, plain, access(right)), "", "tls: yes")
	if h := publishOnce(t, good, access(right)); h.Sent == 0 || h.Trouble != "" {
		t.Errorf("not let in: %+v", h)
	}
}
