package record

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
	"sort"
	"strconv"
	"strings"
	"time"

	"tickover/cmd/tickover/api"
	"tickover/cmd/tickover/report"
	"tickover/collector/store"
	"tickover/model"
)

// A bundle is a zip file with everything about one run: its report as it was
// when the bundle was made, its readings, the configuration, the photos, and
// the part of the store it came from. Every reading command takes its name in
// place of a state folder, and opens it to read only.
const (
	BundleStore    = "store.backup"
	BundleManifest = "bundle.json"
	BundleSums     = "SHA256SUMS"
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
	Earlier earlierEvents `json:"earlier_events"`
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
	return errors.Join(b.text(BundleSums, list.String()), b.zip.Close())
}

// Bundle writes everything about one run as one zip file.
func (s *Reader) Bundle(ctx context.Context, w io.Writer, id string) error {
	rec, err := s.Record(ctx, id)
	if err != nil {
		return err
	}
	b := &bundle{zip.NewWriter(w), map[string]string{}, time.Now().UTC()}
	clock, q := s.Store.Clock(), RunSpan(rec.Run)
	earlier, err := s.before(rec.Run.Started)
	if err != nil {
		return err
	}
	errs := []error{
		b.text("README.txt", bundleReadMe),
		b.json(BundleManifest, manifest{1, rec.Run.ID, rec.Rating.Name, b.now.Format(time.RFC3339), "tickover " + api.Version(), rec.Simulated, earlier}),
		b.json("configuration.json", s.setup),
		b.add("report.html", false, func(w io.Writer) error { return report.HTML(w, rec, clock, s.Scans) }),
		b.add("report.json", false, func(w io.Writer) error { return report.JSON(w, rec, clock) }),
		b.add("report.txt", false, func(w io.Writer) error { return report.Text(w, rec, clock) }),
		b.add("readings.csv", false, func(w io.Writer) error { return s.Export(ctx, w, q, api.Form{Format: "csv"}) }),
	}
	for _, e := range rec.Timeline {
		if e.Photo != 0 {
			errs = append(errs, s.bundlePhoto(b, e.Photo))
		}
	}
	errs = append(errs, b.add(BundleStore, true, func(w io.Writer) error {
		return s.Store.Backup(ctx, w, model.Span{From: q.From, To: q.To}, nil)
	}))
	return errors.Join(append(errs, b.finish())...)
}

// before picks the events before a moment that a record made after it needs, of
// too many the newest.
func (s *Reader) before(at model.Instant) ([]model.Event, error) {
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
	return append(kept[max(0, len(kept)+len(engine)-MostEarlier):], engine...), nil
}

// events yields what the store holds and, from a bundle, what came before.
func (s *Reader) events(q model.Query) iter.Seq2[model.Event, error] {
	return func(yield func(model.Event, error) bool) {
		for _, e := range s.earlier {
			if q.Within(e.At) && !yield(e, nil) {
				return
			}
		}
		for e, err := range s.Store.Events(q) {
			if !yield(e, err) {
				return
			}
		}
	}
}

func (s *Reader) bundlePhoto(b *bundle, number uint64) error {
	picture, err := s.Store.Photo(number)
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
