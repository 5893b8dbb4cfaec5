package main

import (
	"context"
	"io"
	"log/slog"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"tickover/cmd/tickover/api"
	"tickover/cmd/tickover/daemon"
	"tickover/collector/store"
	"tickover/config"
	"tickover/model"
)

// A daemon starts on a state folder that cannot be used, says so on page,
// health and metrics, raises its own alarm, and takes the folder, its socket
// with it, once it can be used.
func TestNoStartWithoutAWatchOfTheWholeDaemon(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "state")
	if err := os.WriteFile(dir, nil, 0o600); err != nil { // root may do anything but this
		t.Fatal(err)
	}
	var log strings.Builder
	d, err := daemon.New(&config.Config{StateDir: dir, Listen: "127.0.0.1:0", Setup: model.Setup{}},
		store.Options{KeepTrying: true}, slog.New(slog.NewTextHandler(&log, nil)))
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(t.Context())
	ended := make(chan error)
	go func() { ended <- d.Run(ctx, 0) }()
	get := func(path string) string {
		resp, err := http.Get(d.Address() + path)
		if err != nil {
			return err.Error()
		}
		defer resp.Body.Close()
		text, _ := io.ReadAll(resp.Body)
		return string(text)
	}
	soon := func(what string, there func() bool) {
		t.Helper()
		for began := time.Now(); !there(); time.Sleep(50 * time.Millisecond) {
			if time.Since(began) > 15*time.Second {
				t.Fatalf("%s: not within 15 s", what)
			}
		}
	}
	soon("the alarm", func() bool { return strings.Contains(get("/api/v1/now"), "logger.store") })
	for path, want := range map[string]string{"/": "not a directory", "/metrics": "tickover_store_degraded 1", "/api/v1/now": "not a directory"} {
		if text := get(path); !strings.Contains(text, want) {
			t.Errorf("%s does not say %q", path, want)
		}
	}
	if err := os.Remove(dir); err != nil {
		t.Fatal(err)
	}
	soon("the folder is taken", func() bool { return strings.Contains(get("/metrics"), "tickover_store_degraded 0") })
	soon("the socket is there", func() bool { _, err := os.Stat(api.SocketPath(dir)); return err == nil })
	stop()
	if err := <-ended; err != nil {
		t.Error(err)
	}
	if text := log.String(); !strings.Contains(text, "monitoring continues") || !strings.Contains(text, "in the state folder's place") {
		t.Errorf("the log says\n%s", text)
	}
	s, err := store.Open(store.Options{Dir: dir, ReadOnly: true})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	if _, ok, err := s.Setup(); !ok || err != nil {
		t.Error("the configuration held in memory was not kept")
	}
}

// Every refusal of a state folder has its own hint.
func TestEachRefusalHasItsHint(t *testing.T) {
	_, err := daemon.ListenLocal(filepath.Join(t.TempDir(), strings.Repeat("long", 30)))
	if hint := daemon.StateHint(err); !strings.Contains(hint, "at most 93 bytes") {
		t.Errorf("%v: %s", err, hint)
	}
}
