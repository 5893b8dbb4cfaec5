package main

import (
	"archive/zip"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"tickover/cmd/tickover/record"
	"tickover/collector/store"
	"tickover/config"
	"tickover/model"
)

// sharedDir holds what is made once for all tests; TestMain makes and removes
// it. pastDir is where pastDayOnce puts the day.
var sharedDir, pastDir string

// pastDayOnce carries the demonstration's past day once for all tests.
var pastDayOnce = sync.OnceValue(func() error {
	cfg, err := config.Parse("demo.yaml", demoConfig)
	if err != nil {
		return err
	}
	cfg.StateDir, cfg.Listen, cfg.Setup.Simulated = pastDir, "127.0.0.1:0", true
	return pastDay(context.Background(), cfg, ordinaryDay(), io.Discard)
})

// asCommand in the environment makes the tests' binary the command itself.
const asCommand = "TICKOVER_AS_COMMAND"

func TestMain(m *testing.M) {
	if os.Getenv(asCommand) != "" {
		main()
	}
	var err error
	if sharedDir, err = os.MkdirTemp("", "tickover-test-*"); err != nil {
		panic(err)
	}
	pastDir = filepath.Join(sharedDir, "past-day")
	code := m.Run()
	os.RemoveAll(sharedDir)
	os.Exit(code)
}

// programOnce builds the program once for all tests.
var programOnce = sync.OnceValues(func() (string, error) {
	binary := filepath.Join(sharedDir, "tickover")
	out, err := exec.Command("go", "build", "-o", binary, ".").CombinedOutput()
	if err != nil {
		err = fmt.Errorf("go build: %w\n%s", err, out)
	}
	return binary, err
})

// program is the path of the program.
func program(t *testing.T) string {
	t.Helper()
	binary, err := programOnce()
	if err != nil {
		t.Fatal(err)
	}
	return binary
}

// pastState makes a state folder that holds the demonstration's past day.
func pastState(t *testing.T) string {
	t.Helper()
	if err := pastDayOnce(); err != nil {
		t.Fatal(err)
	}
	state := filepath.Join(t.TempDir(), "state")
	if err := os.CopyFS(state, os.DirFS(pastDir)); err != nil {
		t.Fatal(err)
	}
	return state
}

func TestBundleOpensToTheSameReport(t *testing.T) {
	state := pastState(t)
	addPhoto(t, state)
	file := filepath.Join(t.TempDir(), "run1.zip")
	must(t, "report", "--state", state, "1", "--bundle", "--output", file)
	for _, format := range []string{"json", "text", "html"} {
		there, here := must(t, "report", "--state", state, "1", "--format", format), must(t, "report", "--state", file, "last", "--format", format)
		if there != here {
			t.Errorf("the %s report from the bundle differs", format)
		}
	}
	if a, b := must(t, "export", "--state", state, "--run", "1"), must(t, "export", "--state", file, "--run", "1"); a != b {
		t.Errorf("the readings differ: %d and %d bytes", len(a), len(b))
	}
	if code, _, said := call(t, "note", "--state", file, "late"); code == model.NoFault || !strings.Contains(said, "bundle") {
		t.Errorf("a bundle takes a note: %d %s", code, said)
	}
	dir := t.TempDir()
	unzip(t, file, dir)
	check := exec.Command("sha256sum", "-c", "SHA256SUMS")
	check.Dir = dir
	if out, err := check.CombinedOutput(); err != nil {
		t.Errorf("sha256sum: %v\n%s", err, out)
	}
	for _, name := range []string{"report.html", "readings.csv", "configuration.json", "README.txt", "photos/1.jpg"} {
		if at, err := os.Stat(filepath.Join(dir, name)); err != nil || at.Size() == 0 {
			t.Errorf("%s: %v", name, err)
		}
	}
	brokenBundles(t, file)
}

// brokenBundles changes a bundle in ways that must be told.
func brokenBundles(t *testing.T, file string) {
	whole, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	flipped := bytes.Clone(whole)
	flipped[len(flipped)/2] ^= 1
	other := filepath.Join(t.TempDir(), "other.zip")
	f, err := os.Create(other)
	if err != nil {
		t.Fatal(err)
	}
	z := zip.NewWriter(f)
	w, _ := z.Create("../../escaped")
	w.Write([]byte("x"))
	z.Close()
	f.Close()
	strange, err := os.ReadFile(other)
	if err != nil {
		t.Fatal(err)
	}
	for name, body := range map[string][]byte{"cut off": whole[:len(whole)/2], "a bit flipped": flipped, "empty": {}, "another zip file": strange} {
		broken := filepath.Join(t.TempDir(), "broken.zip")
		if err := os.WriteFile(broken, body, 0o600); err != nil {
			t.Fatal(err)
		}
		code, _, said := call(t, "runs", "--state", broken)
		if code != model.StoreFault || !strings.Contains(said, "hint:") {
			t.Errorf("%s: exit code %d\n%s", name, code, said)
		}
	}
}

func unzip(t *testing.T, file, dir string) {
	t.Helper()
	z, err := zip.OpenReader(file)
	if err != nil {
		t.Fatal(err)
	}
	defer z.Close()
	if err := os.CopyFS(dir, z); err != nil {
		t.Fatal(err)
	}
}

// addPhoto puts a note with a photo into the first run.
func addPhoto(t *testing.T, state string) {
	t.Helper()
	s := openSource(t, state)
	runs, err := s.Runs(t.Context())
	if err != nil || len(runs) == 0 {
		t.Fatalf("%d runs, %v", len(runs), err)
	}
	number, err := s.Store.PutPhoto([]byte("\xff\xd8\xff\xe0photo"))
	if err != nil {
		t.Fatal(err)
	}
	note := model.Event{At: runs[0].Cranked, Kind: model.NoteEvent, Text: "gauge", Photo: number}
	if err := errors.Join(s.Store.AppendEvents([]model.Event{note}), s.Store.Close()); err != nil {
		t.Fatal(err)
	}
}

func openSource(t *testing.T, state string) *record.Reader {
	t.Helper()
	s, err := store.Open(store.Options{Dir: state, Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	return record.FromStore(s)
}
