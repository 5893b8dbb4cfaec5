// Command storepeers keeps the same soak day in Tickover's store, in
// Prometheus' TSDB and in SQLite, and prints what each takes and how fast each
// gives it back.
package main

import (
	"context"
	"database/sql"
	"fmt"
	"io/fs"
	"log"
	"log/slog"
	"math"
	"os"
	"path/filepath"
	"time"

	"github.com/prometheus/prometheus/model/labels"
	"github.com/prometheus/prometheus/storage"
	"github.com/prometheus/prometheus/tsdb"
	"github.com/prometheus/prometheus/tsdb/chunkenc"
	_ "modernc.org/sqlite"

	"tickover/collector/store"
	"tickover/model"
	"tickover/testdata/soak"
)

const seconds = 86400

func main() {
	dir, err := os.MkdirTemp("", "storepeers")
	if err != nil {
		log.Fatal(err)
	}
	defer os.RemoveAll(dir)
	fmt.Printf("%d samples, floor %.3f B/sample\n", seconds*32, soak.Floor(seconds))
	fmt.Printf("%-12s %12s %14s %14s %14s\n", "store", "B/sample", "append M/s", "one M/s", "all M/s")
	for _, s := range []struct {
		name string
		run  func(dir string) (result, error)
	}{{"tickover", ours}, {"prometheus", prometheus}, {"sqlite", sqlite}} {
		r, err := s.run(filepath.Join(dir, s.name))
		if err != nil {
			log.Fatalf("%s: %v", s.name, err)
		}
		fmt.Printf("%-12s %12.3f %14.2f %14.2f %14.2f\n", s.name, r.bytes/(seconds*32), r.write, r.one, r.all)
	}
}

// result holds bytes on disk and millions of samples a second.
type result struct{ bytes, write, one, all float64 }

func rate(n int, begin time.Time) float64 { return float64(n) / time.Since(begin).Seconds() / 1e6 }

// best runs a read five times and returns the fastest rate.
func best(read func() (int, error)) (float64, error) {
	top := 0.0
	for range 5 {
		begin := time.Now()
		n, err := read()
		if err != nil {
			return 0, err
		}
		top = max(top, rate(n, begin))
	}
	return top, nil
}

func size(dir string) (total float64) {
	_ = filepath.WalkDir(dir, func(_ string, d fs.DirEntry, err error) error {
		if err == nil && d.Type().IsRegular() {
			if info, err := d.Info(); err == nil {
				total += float64(info.Size())
			}
		}
		return nil
	})
	return total
}

func ours(dir string) (r result, err error) {
	s, err := store.Open(store.Options{Dir: dir, Points: soak.Points(), KernelBoot: "one"})
	if err != nil {
		return r, err
	}
	g, begin := soak.New(), time.Now()
	for range seconds {
		for _, scan := range g.Next() {
			if err := s.Append(scan, nil); err != nil {
				return r, err
			}
		}
	}
	r.write = rate(seconds*32, begin)
	read := func(q model.Query) func() (int, error) {
		return func() (n int, _ error) {
			for c, err := range s.Columns(q) {
				if err != nil {
					return n, err
				}
				for i := range c.Values {
					n += len(c.Values[i])
				}
			}
			return n, nil
		}
	}
	if r.one, err = best(read(model.Query{Points: []model.PointID{model.VoltageL1N}})); err != nil {
		return r, err
	}
	if r.all, err = best(read(model.Query{})); err != nil {
		return r, err
	}
	copyDir := dir + "-copy" // without the room that the file keeps ready and the ring
	pipe, w, err := os.Pipe()
	if err != nil {
		return r, err
	}
	go func() { _ = s.Backup(context.Background(), w, model.Span{}, nil); w.Close() }()
	if _, err := store.Restore(context.Background(), pipe, copyDir); err != nil {
		return r, err
	}
	used, err := used(filepath.Join(copyDir, "tickover.db"))
	r.bytes = used
	return r, err
}

// used counts the pages of a bbolt file that hold anything, by its newest meta page.
func used(path string) (float64, error) {
	b, err := os.ReadFile(path)
	if err != nil {
		return 0, err
	}
	high := uint64(0)
	for page := range 2 {
		at := page*4096 + 16 + 40
		v := uint64(0)
		for i := range 8 {
			v |= uint64(b[at+i]) << (8 * i)
		}
		high = max(high, v)
	}
	return float64(high * 4096), nil
}

func prometheus(dir string) (r result, err error) {
	o := tsdb.DefaultOptions()
	o.RetentionDuration = int64(365 * 24 * time.Hour / time.Millisecond)
	db, err := tsdb.Open(dir, slog.New(slog.DiscardHandler), nil, o, nil)
	if err != nil {
		return r, err
	}
	g, refs, begin := soak.New(), map[model.PointID]storage.SeriesRef{}, time.Now()
	for range seconds {
		app := db.Appender(context.Background())
		for _, scan := range g.Next() {
			for _, x := range scan.Samples {
				ref, err := app.Append(refs[x.Point], labels.FromStrings("__name__", "p", "point", string(x.Point)), int64(scan.At.Offset/time.Millisecond), x.Value)
				if err != nil {
					return r, err
				}
				refs[x.Point] = ref
			}
		}
		if err := app.Commit(); err != nil {
			return r, err
		}
	}
	r.write = rate(seconds*32, begin)
	if err := db.CompactHead(tsdb.NewRangeHead(db.Head(), 0, math.MaxInt64)); err != nil {
		return r, err
	}
	if err := db.Compact(context.Background()); err != nil {
		return r, err
	}
	for _, b := range db.Blocks() {
		r.bytes += float64(b.Size())
	}
	read := func(m *labels.Matcher) func() (int, error) {
		return func() (n int, err error) {
			q, err := db.Querier(0, math.MaxInt64)
			if err != nil {
				return 0, err
			}
			defer q.Close()
			set := q.Select(context.Background(), false, nil, m)
			var it chunkenc.Iterator
			for set.Next() {
				for it = set.At().Iterator(it); it.Next() == chunkenc.ValFloat; {
					it.At()
					n++
				}
			}
			return n, set.Err()
		}
	}
	if r.one, err = best(read(labels.MustNewMatcher(labels.MatchEqual, "point", string(model.VoltageL1N)))); err != nil {
		return r, err
	}
	r.all, err = best(read(labels.MustNewMatcher(labels.MatchEqual, "__name__", "p")))
	if err == nil {
		err = db.Close()
	}
	return r, err
}

func sqlite(dir string) (r result, err error) {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return r, err
	}
	db, err := sql.Open("sqlite", filepath.Join(dir, "s.db")+"?_pragma=journal_mode(WAL)&_pragma=synchronous(FULL)")
	if err != nil {
		return r, err
	}
	if _, err := db.Exec("CREATE TABLE s (p INTEGER, t INTEGER, v REAL, PRIMARY KEY (p, t)) WITHOUT ROWID"); err != nil {
		return r, err
	}
	const part = 8 // an eighth of the day: what a sample takes does not hang on their number
	g, begin, ids := soak.New(), time.Now(), map[model.PointID]int{}
	for range seconds / part / 60 { // one transaction a minute, in its favour
		tx, err := db.Begin()
		if err != nil {
			return r, err
		}
		put, err := tx.Prepare("INSERT INTO s VALUES (?, ?, ?)")
		if err != nil {
			return r, err
		}
		for range 60 {
			for _, scan := range g.Next() {
				for _, x := range scan.Samples {
					if _, ok := ids[x.Point]; !ok {
						ids[x.Point] = len(ids)
					}
					if _, err := put.Exec(ids[x.Point], int64(scan.At.Offset/time.Millisecond), x.Value); err != nil {
						return r, err
					}
				}
			}
		}
		if err := tx.Commit(); err != nil {
			return r, err
		}
	}
	r.write = rate(seconds*32/part, begin)
	if _, err := db.Exec("PRAGMA wal_checkpoint(TRUNCATE)"); err != nil {
		return r, err
	}
	r.bytes = size(dir) * part
	read := func(where string) func() (int, error) {
		return func() (n int, err error) {
			rows, err := db.Query("SELECT t, v FROM s " + where)
			if err != nil {
				return 0, err
			}
			defer rows.Close()
			for rows.Next() {
				var t int64
				var v float64
				if err := rows.Scan(&t, &v); err != nil {
					return n, err
				}
				n++
			}
			return n, rows.Err()
		}
	}
	if r.one, err = best(read(fmt.Sprint("WHERE p = ", ids[model.VoltageL1N]))); err != nil {
		return r, err
	}
	if r.all, err = best(read("")); err != nil {
		return r, err
	}
	return r, db.Close()
}
