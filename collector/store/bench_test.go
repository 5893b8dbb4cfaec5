package store

import (
	"encoding/binary"
	"math"
	"os"
	"path/filepath"
	"runtime/debug"
	"sync"
	"testing"
	"time"

	bolt "go.etcd.io/bbolt"

	"tickover/model"
	"tickover/testdata/soak"
)

const (
	daySeconds = 86400
	daySamples = 32 * daySeconds
)

func soakOptions(dir string) Options {
	o := options(dir)
	o.Points, o.Slots = soak.Points(), 0
	return o
}

// logSoak keeps so many seconds of readings.
func logSoak(t testing.TB, s *Store, g *soak.Generator, seconds int) {
	t.Helper()
	for range seconds {
		for _, scan := range g.Next() {
			mustAppend(t, s, scan)
		}
	}
}

// writtenBytes counts what went to the card: a slot each, and for each commit
// its pages and one meta page.
func writtenBytes(s *Store) int64 {
	st := s.data.open.Load().db.Stats().TxStats
	return int64(s.ring.next-1)*slotSize + st.GetPageAlloc() + s.data.commits*pageSize
}

// day is one day's store and late one whose answers take their time, made once
// for all benchmarks.
var (
	day  = sync.OnceValues(func() (dir string, err error) { return makeDay(soak.New()) })
	late = sync.OnceValues(func() (dir string, err error) { return makeDay(soak.NewLate()) })
)

func makeDay(g *soak.Generator) (dir string, err error) {
	if dir, err = os.MkdirTemp("", "soakday"); err != nil {
		return "", err
	}
	s, err := Open(soakOptions(dir))
	if err != nil {
		return "", err
	}
	for range daySeconds {
		for _, scan := range g.Next() {
			if err := s.Append(scan, nil); err != nil {
				return "", err
			}
		}
	}
	return dir, s.Close()
}

func openDay(b *testing.B, made func() (string, error)) *Store {
	dir, err := made()
	if err != nil {
		b.Fatal(err)
	}
	return mustOpen(b, soakOptions(dir))
}

// BenchmarkStore is the table: what a soak day takes on the card, how fast it
// is read, and what a year in the file costs. It fails when a soak day takes
// more than is promised. The rows "late" are of readings that bear the lags of
// three requests, of which nothing is promised.
func BenchmarkStore(b *testing.B) {
	one := model.Query{Points: []model.PointID{model.VoltageL1N}}
	b.Run("day", func(b *testing.B) { benchDay(b, soak.New, soak.Floor, promised) })
	b.Run("late/day", func(b *testing.B) { benchDay(b, soak.NewLate, soak.FloorLate, nil) })
	b.Run("month", func(b *testing.B) { benchMonth(b, day, promised) })
	b.Run("late/month", func(b *testing.B) { benchMonth(b, late, nil) })
	b.Run("read/one", func(b *testing.B) { benchRead(b, day, one, daySeconds) })
	b.Run("late/read/one", func(b *testing.B) { benchRead(b, late, one, daySeconds) })
	b.Run("read/all", func(b *testing.B) { benchRead(b, day, model.Query{}, daySamples) })
	b.Run("late/read/all", func(b *testing.B) { benchRead(b, late, model.Query{}, daySamples) })
	b.Run("scans/all", func(b *testing.B) { benchScans(b, day) })
	b.Run("late/scans/all", func(b *testing.B) { benchScans(b, late) })
	b.Run("seal", benchSeal)
	b.Run("year", benchYear)
	b.Run("memory", benchMemory)
}

func benchDay(b *testing.B, made func() *soak.Generator, floor func(int) float64, most map[string]float64) {
	for b.Loop() {
		s, err := Open(soakOptions(b.TempDir()))
		if err != nil {
			b.Fatal(err)
		}
		begin := time.Now()
		logSoak(b, s, made(), daySeconds)
		b.ReportMetric(daySamples/time.Since(begin).Seconds()/1e6, "Msamples/s")
		if err := s.sealNow(); err != nil {
			b.Fatal(err)
		}
		payload, minutes := payloads(b, s)
		report(b, float64(payload)/daySamples, "B/sample", most)
		report(b, float64(payload)/daySamples/floor(daySeconds), "xfloor", most)
		b.ReportMetric(float64(minutes)/1e6, "MB-minutes/day")
		report(b, float64(writtenBytes(s))/1e6, "MB/day", most)
		if err := s.Close(); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(0, "ns/op")
}

// promised is the most of each unit that a soak day may take.
var promised = map[string]float64{"B/sample": 0.47, "xfloor": 1.15, "MB/day": 100, "B/sample-file": 0.56}

// report shows a figure, and fails when more was promised.
func report(b *testing.B, figure float64, unit string, most map[string]float64) {
	b.Helper()
	b.ReportMetric(figure, unit)
	if figure > most[unit] && most != nil {
		b.Errorf("%.3f %s, promised are %g at most", figure, unit, most[unit])
	}
}

// payloads sums the values of blocks and minutes.
func payloads(b *testing.B, s *Store) (blocks, minutes int64) {
	err := s.data.view(func(tx *bolt.Tx) error {
		for _, x := range []struct {
			bucket []byte
			sum    *int64
		}{{bucketBlocks, &blocks}, {bucketMinutes, &minutes}} {
			err := tx.Bucket(x.bucket).ForEachBucket(func(name []byte) error {
				return tx.Bucket(x.bucket).Bucket(name).ForEach(func(_, v []byte) error { *x.sum += int64(len(v)); return nil })
			})
			if err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		b.Fatal(err)
	}
	return blocks, minutes
}

func benchMonth(b *testing.B, made func() (string, error), most map[string]float64) {
	for b.Loop() {
		s := repeatedDays(b, made, 30)
		st, err := os.Stat(filepath.Join(s.opts.Dir, dataName))
		if err != nil {
			b.Fatal(err)
		}
		b.ReportMetric(float64(s.data.used())/(30*daySamples), "B/sample-used")
		report(b, float64(st.Size())/(30*daySamples), "B/sample-file", most)
		mustClose(b, s)
	}
	b.ReportMetric(0, "ns/op")
}

func benchRead(b *testing.B, made func() (string, error), q model.Query, want int) {
	s := openDay(b, made)
	sum, total := 0.0, 0
	for b.Loop() {
		n := 0
		for c, err := range s.Columns(q) {
			if err != nil {
				b.Fatal(err)
			}
			for _, v := range c.Values {
				n += len(v)
				sum += v[0]
			}
		}
		if n != want {
			b.Fatal(n)
		}
		total += n
	}
	b.ReportMetric(float64(total)/b.Elapsed().Seconds()/1e6, "Msamples/s")
	if math.IsNaN(sum) {
		b.Fatal(sum)
	}
}

func benchScans(b *testing.B, made func() (string, error)) {
	s := openDay(b, made)
	n := 0
	for b.Loop() {
		for scan, err := range s.Scans(model.Query{}) {
			if err != nil {
				b.Fatal(err)
			}
			n += len(scan.Samples)
		}
	}
	b.ReportMetric(float64(n)/b.Elapsed().Seconds()/1e6, "Msamples/s")
}

func benchSeal(b *testing.B) {
	g, rows := soak.New(), map[string]*rows{}
	for range 600 {
		for _, scan := range g.Next() {
			r := rows[scan.Group]
			if r == nil {
				sc := &schema{group: scan.Group}
				for _, x := range scan.Samples {
					sc.points = append(sc.points, x.Point)
					sc.scales = append(sc.scales, scaleOf(soak.Points()[x.Point]))
				}
				r = newRows(sc, 1)
				rows[scan.Group] = r
			}
			r.add(scan)
		}
	}
	for b.Loop() {
		for _, r := range rows {
			encodeRows(r)
			summarise(r)
		}
	}
	b.ReportMetric(float64(600*32*b.N)/b.Elapsed().Seconds()/1e6, "Msamples/s")
}

// repeatedDays makes a file of so many days by keeping one day's blocks and
// minutes again and again, a day later each time.
func repeatedDays(t testing.TB, made func() (string, error), days int) *Store {
	t.Helper()
	from, err := made()
	if err != nil {
		t.Fatal(err)
	}
	source, err := Open(Options{Dir: from, ReadOnly: true, LockTimeout: -1})
	if err != nil {
		t.Fatal(err)
	}
	defer source.Close()
	dir := t.TempDir()
	s, err := Open(soakOptions(dir))
	if err != nil {
		t.Fatal(err)
	}
	var all []record
	blocks := map[string]uint64{}
	for r, err := range source.records(model.Span{}) {
		if err != nil {
			t.Fatal(err)
		}
		if r.kind == recordBlock || r.kind == recordMinutes || r.kind == recordSchema {
			all = append(all, r)
		}
		if r.kind == recordBlock {
			blocks[r.group]++
		}
	}
	for d := range days {
		if err := s.data.update(func(tx *bolt.Tx) error { return putDay(tx, all, blocks, int64(d)) }); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	return mustOpenPlain(t, soakOptions(dir))
}

func mustOpenPlain(t testing.TB, o Options) *Store {
	t.Helper()
	s, err := Open(o)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func putDay(tx *bolt.Tx, all []record, blocks map[string]uint64, d int64) error {
	for _, r := range all {
		bucket := recordBucket(tx, r.kind, "")
		if r.group != "" {
			var err error
			if bucket, err = bucket.CreateBucketIfNotExists([]byte("g" + r.group)); err != nil {
				return err
			}
			bucket.FillPercent = 1
		}
		payload, err := unwrap(r.key, r.value)
		if err != nil {
			return err
		}
		key := r.key
		switch r.kind {
		case recordBlock:
			b, err := openBlock(r.key, r.value)
			if err != nil {
				return err
			}
			at := b.at.Add(time.Duration(d) * 24 * time.Hour)
			key = blockKey(at)
			head := binary.AppendUvarint(binary.AppendUvarint(nil, uint64(b.schema)), b.ordinal+uint64(d)*blocks[r.group])
			c := cursor{b: b.body}
			n, _ := c.uvarint(), c.varint()
			head = binary.AppendVarint(binary.AppendUvarint(head, n), int64(at.Offset))
			payload = append(head, c.b...)
		case recordMinutes:
			boot, minute, id, err := parseMinuteKey(r.key)
			if err != nil {
				return err
			}
			key = minuteKey(boot, minute+1440*d, id)
			m, err := decodeMinutesOf(payload, r, tx)
			if err != nil {
				return err
			}
			for i := range m.at {
				m.at[i] += 1440 * d
			}
			payload = m.encode()
		}
		if err := put(bucket, key, payload); err != nil {
			return err
		}
	}
	return nil
}

func decodeMinutesOf(payload []byte, r record, tx *bolt.Tx) (*minutes, error) {
	boot, _, id, _ := parseMinuteKey(r.key)
	text, err := get(tx.Bucket(bucketSchemas), binary.BigEndian.AppendUint32(nil, id))
	if err != nil {
		return nil, err
	}
	sc, err := decodeSchema(text)
	if err != nil {
		return nil, err
	}
	return decodeMinutes(payload, sc, boot, nil)
}

// benchYear opens a file with a year in it and a ring to be read back, and
// draws a year of one point: least and greatest for each of 1000 pixels.
func benchYear(b *testing.B) {
	s := repeatedDays(b, day, 365)
	dir := s.opts.Dir
	g := soak.New()
	for range 590 {
		for _, scan := range g.Next() {
			scan.At.Offset += 365 * 24 * time.Hour
			mustAppend(b, s, scan)
		}
	}
	if err := s.Flush(); err != nil {
		b.Fatal(err)
	}
	work := copyStore(b, dir)
	mustClose(b, s)
	debug.FreeOSMemory() // who opens a year has not just made it: new memory would cost more than the reading
	var open, view []time.Duration
	for b.Loop() {
		begin := time.Now()
		s := mustOpenPlain(b, soakOptions(work))
		open = append(open, time.Since(begin))
		if got := s.Last().Offset; got < 365*24*time.Hour+589*time.Second {
			b.Fatal(got)
		}
		begin = time.Now()
		n := drawYear(b, s)
		view = append(view, time.Since(begin))
		if n < 365*1440 {
			b.Fatal(n)
		}
		s.writing.Lock()
		s.closed = true // as a cut of power ends it: the ring stays to be read back
		s.writing.Unlock()
		if err := s.release(); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(least(open).Microseconds())/1000, "ms-open")
	b.ReportMetric(float64(least(view).Microseconds())/1000, "ms-yearview")
	b.ReportMetric(0, "ns/op")
}

func least(all []time.Duration) time.Duration {
	best := all[0]
	for _, d := range all {
		best = min(best, d)
	}
	return best
}

func drawYear(b *testing.B, s *Store) (n int) {
	var low, high [1000]float64
	for m, err := range s.Minutes(model.Query{Points: []model.PointID{model.CoolantTemperature}}) {
		if err != nil {
			b.Fatal(err)
		}
		for i, at := range m.At {
			px := min(int(at/(366*24*3600*1e6)), 999)
			low[px], high[px] = min(low[px], m.Columns[0].Min[i]), max(high[px], m.Columns[0].Max[i])
		}
		n += len(m.At)
	}
	return n
}
