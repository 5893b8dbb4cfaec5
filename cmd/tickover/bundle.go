package main

import (
	"archive/zip"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"iter"
	"log/slog"
	"os"
	"sort"
	"strconv"
	"strings"
	"time"

	"tickover/cmd/tickover/page"
	"tickover/cmd/tickover/report"
	"tickover/collector/store"
	"tickover/model"
)

// A bundle is a zip file with everything about one run: its report as it was
// when the bundle was made, its readings, the configuration, the photos, and
// the part of the store it came from. Every reading command takes its name in
// place of a state folder, and opens it to read only.
const (
	bundleStore    = "store.backup"
	bundleManifest = "bundle.json"
	bundleSums     = "SHA256SUMS"
)

// manifest says what a bundle holds.
type manifest struct {
	Format    int    `json:"bundle_format"` // 1
	Run       string `json:"run"`           // the run's ID where it was recorded
	Set       string `json:"set"`
	Made      string `json:"made"` // UTC by the clock of the maker
	Program   string `json:"program"`
	Simulated bool   `json:"simulated"`
	// Earlier are events from before the run that its record needs: the state
	// of the engine it began in, what was measured by hand, the machine card.
	Earlier []model.Event `json:"earlier_events"`
}

const bundleReadMe = `This is one run of a generator set, as Tickover recorded it.

report.html, report.json, report.txt   the report when this bundle was made
readings.csv                           every reading of the run
configuration.json                     what was polled, with which limits
photos/                                pictures that belong to notes
store.backup                           the same in Tickover's own form
SHA256SUMS                             checksums: sha256sum -c SHA256SUMS

Tickover opens the whole file to read:
  tickover runs --state THIS.zip
  tickover report --state THIS.zip last --format html --output report.html
`

// bundle writes entries and remembers their checksums.
type bundle struct {
	zip  *zip.Writer
	sums map[string]string
	now  time.Time
}

// add writes one entry. What is packed already is stored as it is.
func (b *bundle) add(name string, packed bool, write func(io.Writer) error) error {
	head := &zip.FileHeader{Name: name, Method: zip.Deflate, Modified: b.now}
	if packed {
		head.Method = zip.Store
	}
	w, err := b.zip.CreateHeader(head)
	if err != nil {
		return fmt.Errorf("add %s to the bundle: %w", name, err)
	}
	sum := sha256.New()
	if err := write(io.MultiWriter(w, sum)); err != nil {
		return fmt.Errorf("add %s to the bundle: %w", name, err)
	}
	b.sums[name] = hex.EncodeToString(sum.Sum(nil))
	return nil
}

func (b *bundle) text(name, text string) error {
	return b.add(name, false, func(w io.Writer) error { _, err := io.WriteString(w, text); return err })
}

func (b *bundle) json(name string, v any) error {
	text, err := json.MarshalIndent(v, "", "  ")
	return errors.Join(err, b.text(name, string(text)+"\n"))
}

// finish adds the checksums and ends the file.
func (b *bundle) finish() error {
	var names []string
	for name := range b.sums {
		names = append(names, name)
	}
	sort.Strings(names)
	var list strings.Builder
	for _, name := range names {
		fmt.Fprintf(&list, "%s  %s\n", b.sums[name], name)
	}
	return errors.Join(b.text(bundleSums, list.String()), b.zip.Close())
}

// Bundle writes everything about one run as one zip file.
func (s *source) Bundle(ctx context.Context, w io.Writer, id string) error {
	rec, err := s.Record(ctx, id)
	if err != nil {
		return err
	}
	b := &bundle{zip.NewWriter(w), map[string]string{}, time.Now().UTC()}
	clock, q := s.store.Clock(), runSpan(rec.Run)
	earlier, err := s.before(rec.Run.Started)
	if err != nil {
		return err
	}
	errs := []error{
		b.text("README.txt", bundleReadMe),
		b.json(bundleManifest, manifest{1, rec.Run.ID, rec.Rating.Name, b.now.Format(time.RFC3339), "tickover " + version(), rec.Simulated, earlier}),
		b.json("configuration.json", s.setup),
		b.add("report.html", false, func(w io.Writer) error { return report.HTML(w, rec, clock, s.Scans) }),
		b.add("report.json", false, func(w io.Writer) error { return report.JSON(w, rec, clock) }),
		b.add("report.txt", false, func(w io.Writer) error { return report.Text(w, rec, clock) }),
		b.add("readings.csv", false, func(w io.Writer) error { return s.Export(ctx, w, q, page.Form{Format: "csv"}) }),
	}
	for _, e := range rec.Timeline {
		if e.Photo != 0 {
			errs = append(errs, s.bundlePhoto(b, e.Photo))
		}
	}
	errs = append(errs, b.add(bundleStore, true, func(w io.Writer) error {
		return s.store.Backup(ctx, w, model.Span{From: q.From, To: q.To}, nil)
	}))
	return errors.Join(append(errs, b.finish())...)
}

// before picks the events before a moment that a record made after it needs.
func (s *source) before(at model.Instant) ([]model.Event, error) {
	engine, kept := []model.Event(nil), []model.Event{}
	for e, err := range s.events(model.Query{To: at}) {
		if err != nil {
			return nil, fmt.Errorf("read events: %w", err)
		}
		switch e.Kind {
		case model.EngineEvent:
			engine = []model.Event{e}
		case model.MeasurementEvent, model.FactEvent, model.WiringEvent:
			kept = append(kept, e)
		}
	}
	return append(kept, engine...), nil
}

// events yields what the store holds and, from a bundle, what came before.
func (s *source) events(q model.Query) iter.Seq2[model.Event, error] {
	return func(yield func(model.Event, error) bool) {
		for _, e := range s.earlier {
			if q.Within(e.At) && !yield(e, nil) {
				return
			}
		}
		for e, err := range s.store.Events(q) {
			if !yield(e, err) {
				return
			}
		}
	}
}

func (s *source) bundlePhoto(b *bundle, number uint64) error {
	picture, err := s.store.Photo(number)
	if errors.Is(err, store.ErrNoPhoto) {
		return nil
	}
	if err != nil {
		return err
	}
	kind := ".jpg"
	if len(picture) > 4 && string(picture[1:4]) == "PNG" {
		kind = ".png"
	}
	return b.add("photos/"+strconv.FormatUint(number, 10)+kind, true, func(w io.Writer) error { _, err := w.Write(picture); return err })
}

// openBundle opens a bundle to read: it checks every checksum, puts the store
// into a temporary folder and removes that again on close.
func openBundle(file string) (*source, func() error, error) {
	z, err := zip.OpenReader(file)
	if err != nil {
		return nil, nil, &fault{exitStore, fmt.Errorf("open %s: %w", file, err), "name a state folder or a bundle made by tickover report --bundle"}
	}
	defer z.Close()
	m, err := checkBundle(&z.Reader)
	if err != nil {
		return nil, nil, &fault{exitStore, fmt.Errorf("open the bundle %s: %w", file, err), "take another copy of it"}
	}
	dir, err := os.MkdirTemp("", "tickover-bundle-")
	if err != nil {
		return nil, nil, fmt.Errorf("unpack the bundle: %w", err)
	}
	src, err := unpack(&z.Reader, dir+"/store", m)
	if err != nil {
		return nil, nil, errors.Join(fmt.Errorf("unpack the bundle %s: %w", file, err), os.RemoveAll(dir))
	}
	return src, func() error { return errors.Join(src.store.Close(), os.RemoveAll(dir)) }, nil
}

func unpack(z *zip.Reader, dir string, m manifest) (*source, error) {
	f, err := z.Open(bundleStore)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	if _, err := store.Restore(context.Background(), f, dir); err != nil {
		return nil, err
	}
	s, err := store.Open(store.Options{Dir: dir, ReadOnly: true, Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		return nil, err
	}
	setup, _ := s.Setup()
	number, _ := strconv.Atoi(m.Run) // an ID that is no number leaves the count from one
	return &source{store: s, setup: setup, runsBefore: max(number-1, 0), earlier: m.Earlier}, nil
}

// checkBundle compares every entry with its checksum.
func checkBundle(z *zip.Reader) (manifest, error) {
	var m manifest
	want, err := readSums(z)
	if err != nil {
		return m, err
	}
	for name, sum := range want {
		f, err := z.Open(name)
		if err != nil {
			return m, err
		}
		got := sha256.New()
		_, err = io.Copy(got, f)
		if err := errors.Join(err, f.Close()); err != nil {
			return m, err
		}
		if hex.EncodeToString(got.Sum(nil)) != sum {
			return m, fmt.Errorf("%s is not what it was when the bundle was made", name)
		}
	}
	if want[bundleStore] == "" || want[bundleManifest] == "" {
		return m, errors.New("it is no bundle: the store or its description is missing")
	}
	f, err := z.Open(bundleManifest)
	if err != nil {
		return m, err
	}
	defer f.Close()
	if err := json.NewDecoder(io.LimitReader(f, 16<<20)).Decode(&m); err != nil || m.Format != 1 {
		return m, fmt.Errorf("its description is not understood (format %d): %w", m.Format, err)
	}
	return m, nil
}

func readSums(z *zip.Reader) (map[string]string, error) {
	f, err := z.Open(bundleSums)
	if err != nil {
		return nil, fmt.Errorf("it is no bundle: %w", err)
	}
	defer f.Close()
	text, err := io.ReadAll(io.LimitReader(f, 1<<20))
	if err != nil {
		return nil, err
	}
	sums := map[string]string{}
	for line := range strings.Lines(string(text)) {
		if sum, name, ok := strings.Cut(strings.TrimRight(line, "\n"), "  "); ok {
			sums[name] = sum
		}
	}
	return sums, nil
}
