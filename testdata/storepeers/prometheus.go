package main

import (
	"context"
	"log/slog"
	"math"
	"path/filepath"
	"time"

	"github.com/prometheus/prometheus/model/labels"
	"github.com/prometheus/prometheus/storage"
	"github.com/prometheus/prometheus/tsdb"
	"github.com/prometheus/prometheus/tsdb/chunkenc"

	"tickover/model"
	"tickover/testdata/soak"
)

// prometheus is Prometheus' TSDB as the server opens it, but that it keeps
// everything and compacts when told, every two hours of readings.
type prometheus struct{}

func openTSDB(dir string) (*tsdb.DB, error) {
	o := tsdb.DefaultOptions()
	o.RetentionDuration = int64(365 * 24 * time.Hour / time.Millisecond)
	db, err := tsdb.Open(dir, slog.New(slog.DiscardHandler), nil, o, nil)
	if err == nil {
		db.DisableCompactions()
	}
	return db, err
}

func (prometheus) keep(dir string, days int) (k kept, err error) {
	db, err := openTSDB(dir)
	if err != nil {
		return k, err
	}
	g, refs := soak.New(), map[model.PointID]storage.SeriesRef{}
	before, begin := written(), time.Now()
	for second := range days * daySeconds {
		app := db.Appender(context.Background())
		for _, scan := range g.Next() {
			for _, x := range scan.Samples {
				ref, err := app.Append(refs[x.Point], labels.FromStrings("__name__", "p", "point", string(x.Point)), int64(scan.At.Offset/time.Millisecond), x.Value)
				if err != nil {
					return k, err
				}
				refs[x.Point] = ref
			}
		}
		if err := app.Commit(); err != nil {
			return k, err
		}
		if second%7200 == 7199 {
			db.EnableCompactions()
			if err := db.Compact(context.Background()); err != nil {
				return k, err
			}
			db.DisableCompactions()
		}
	}
	k.Rate = rate(days*daySamples, time.Since(begin))
	k.Written = (written() - before) / float64(days) / 1e6
	k.Log = resident()
	// The rest goes into a block too, so that all is in blocks; what stays
	// beside them stays the same.
	all := size(dir)
	inBlocks := blocksSize(db)
	if err := db.CompactHead(tsdb.NewRangeHead(db.Head(), 0, math.MaxInt64)); err != nil {
		return k, err
	}
	beside := max(all-inBlocks, 0)
	k.File = (blocksSize(db)/float64(days)*30 + beside) / (30 * daySamples)
	k.Payload = chunksSize(dir) / float64(days*daySamples)
	return k, db.Close()
}

func blocksSize(db *tsdb.DB) (n float64) {
	for _, b := range db.Blocks() {
		n += float64(b.Size())
	}
	return n
}

// chunksSize sums the chunks of all blocks.
func chunksSize(dir string) (n float64) {
	found, _ := filepath.Glob(filepath.Join(dir, "*", "chunks"))
	for _, d := range found {
		n += size(d)
	}
	return n
}

type tsdbReader struct{ db *tsdb.DB }

func (prometheus) open(dir string) (reader, error) {
	db, err := openTSDB(dir)
	return tsdbReader{db}, err
}

func (r tsdbReader) read(all bool) (n int, err error) {
	m := labels.MustNewMatcher(labels.MatchEqual, "point", string(model.VoltageL1N))
	if all {
		m = labels.MustNewMatcher(labels.MatchEqual, "__name__", "p")
	}
	q, err := r.db.Querier(0, math.MaxInt64)
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

func (r tsdbReader) close() error { return r.db.Close() }
