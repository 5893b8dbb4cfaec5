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
	"log/slog"
	"os"
	"strconv"
	"strings"

	"tickover/collector/store"
	"tickover/model"
)

// OpenBundle opens a bundle to read: it checks every checksum, puts the store
// into a temporary folder and removes that again on close.
func OpenBundle(file string) (*Reader, func() error, error) {
	z, err := zip.OpenReader(file)
	if err != nil {
		return nil, nil, &model.Fault{Code: model.StoreFault, Err: fmt.Errorf("open %s: %w", file, err), Hint: "name a state folder or a bundle made by tickover report --bundle"}
	}
	defer z.Close()
	if err := boundBundle(&z.Reader); err != nil {
		return nil, nil, &model.Fault{Code: model.StoreFault, Err: fmt.Errorf("open the bundle %s: %w", file, err), Hint: "it is not a bundle of Tickover; take another copy of it"}
	}
	m, err := checkBundle(&z.Reader)
	if err != nil {
		return nil, nil, &model.Fault{Code: model.StoreFault, Err: fmt.Errorf("open the bundle %s: %w", file, err), Hint: "take another copy of it"}
	}
	dir, err := os.MkdirTemp("", "tickover-bundle-")
	if err != nil {
		return nil, nil, fmt.Errorf("unpack the bundle: %w", err)
	}
	src, err := unpack(&z.Reader, dir+"/store", m)
	if err != nil {
		return nil, nil, errors.Join(fmt.Errorf("unpack the bundle %s: %w", file, err), os.RemoveAll(dir))
	}
	return src, func() error { return errors.Join(src.Store.Close(), os.RemoveAll(dir)) }, nil
}

func unpack(z *zip.Reader, dir string, m manifest) (*Reader, error) {
	f, err := z.Open(BundleStore)
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
	number, _ := strconv.Atoi(m.Run) // an ID that is no number leaves the count from one
	r := FromStore(s)
	r.runsBefore, r.earlier = max(number-1, 0), m.Earlier
	return r, nil
}

// earlierEvents are counted before they are decoded: three bytes may stand for
// an event.
type earlierEvents []model.Event

// UnmarshalJSON reads at most mostEarlier.
func (e *earlierEvents) UnmarshalJSON(text []byte) error {
	var each []json.RawMessage
	if err := json.Unmarshal(text, &each); err != nil {
		return err
	}
	if len(each) > MostEarlier {
		return fmt.Errorf("%d earlier events, allowed are %d", len(each), MostEarlier)
	}
	*e = make(earlierEvents, len(each))
	for i, one := range each {
		if err := json.Unmarshal(one, &(*e)[i]); err != nil {
			return err
		}
	}
	return nil
}

// Bounds of a bundle, which collector/store/FORMAT.md states.
const (
	MostEntries     = 1000
	mostUnpacked    = 200     // times its packed size, of an entry
	AlwaysUnpacked  = 1 << 20 // bytes that an entry may have whatever its packed size
	LargestManifest = 2 << 20
	MostEarlier     = 2000 // events from before the run
)

// boundBundle refuses a file that would unpack to more than a bundle does,
// by its table of contents, before anything is unpacked.
func boundBundle(z *zip.Reader) error {
	if len(z.File) > MostEntries {
		return fmt.Errorf("it has %d entries, allowed are %d", len(z.File), MostEntries)
	}
	for _, f := range z.File {
		most := mostUnpacked*f.CompressedSize64 + AlwaysUnpacked
		switch {
		case f.Name == BundleManifest:
			most = LargestManifest
		case f.Name == BundleStore && f.Method != zip.Store:
			return fmt.Errorf("%s is compressed; in a bundle it must be stored", f.Name)
		}
		if f.UncompressedSize64 > most {
			return fmt.Errorf("%s would unpack to %d bytes, allowed are %d", f.Name, f.UncompressedSize64, most)
		}
	}
	return nil
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
		at, err := f.Stat()
		if err != nil {
			return m, errors.Join(err, f.Close())
		}
		got := sha256.New()
		_, err = io.Copy(got, io.LimitReader(f, at.Size()+1)) // a heading may say less than there is
		if err := errors.Join(err, f.Close()); err != nil {
			return m, err
		}
		if hex.EncodeToString(got.Sum(nil)) != sum {
			return m, fmt.Errorf("%s was changed after the bundle was made", name)
		}
	}
	if want[BundleStore] == "" || want[BundleManifest] == "" {
		return m, errors.New("it is not a bundle: the store or its description is missing")
	}
	f, err := z.Open(BundleManifest)
	if err != nil {
		return m, err
	}
	defer f.Close()
	switch err := json.NewDecoder(io.LimitReader(f, LargestManifest)).Decode(&m); {
	case err != nil:
		return m, fmt.Errorf("its description cannot be read: %w", err)
	case m.Format != 1:
		return m, fmt.Errorf("its description has format %d, known is 1", m.Format)
	}
	return m, nil
}

func readSums(z *zip.Reader) (map[string]string, error) {
	f, err := z.Open(BundleSums)
	if err != nil {
		return nil, fmt.Errorf("it is not a bundle: %w", err)
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
