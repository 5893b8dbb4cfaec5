package store

import (
	"bufio"
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"runtime"
	"strings"
	"testing"
	"time"

	"tickover/model"
)

// mostTaken is the memory that a reader of any block may take: its cells as
// values, states and lags, and as much again on the way.
const mostTaken = 200 << 20

// taken is how much memory f takes, freed again or not.
func taken(f func()) uint64 {
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	f()
	runtime.ReadMemStats(&after)
	return after.TotalAlloc - before.TotalAlloc
}

// wideSchema has so many points, each named by one letter.
func wideSchema(points int) *schema {
	s := &schema{group: "g"}
	for range points {
		s.points, s.scales = append(s.points, "p"), append(s.scales, scale{})
	}
	return s
}

// constantBody is a block of so many rows in which every column says "always
// the same" in three bytes.
func constantBody(rows, columns int) []byte {
	stamps := append(binary.AppendUvarint(nil, uint64(time.Second)), packInts(nil, []int64{0})...)
	column := append([]byte{formCounts}, packInts(nil, []int64{7})...)
	b := binary.AppendUvarint(binary.AppendVarint(binary.AppendUvarint(nil, uint64(rows)), 0), 0)
	b = binary.AppendUvarint(b, uint64(len(stamps)))
	for range columns {
		b = binary.AppendUvarint(b, uint64(len(column)))
	}
	return append(append(b, stamps...), bytes.Repeat(column, columns)...)
}

// A block of 400 kB asked for 52 GB. The bounds of the format are checked
// before room is taken, just within them it is read.
func TestABlockAsksForNoMoreThanItsFormat(t *testing.T) {
	for _, c := range []struct {
		rows, columns int
		read          bool
	}{
		{maxRows, maxCells / maxRows, true},
		{maxRows, maxCells/maxRows + 1, false},
		{maxCells / maxColumns, maxColumns, true},
		{maxCells/maxColumns + 1, maxColumns, false},
		{maxRows, 100_000, false},
		{maxRows + 1, 1, false},
	} {
		s, body := wideSchema(c.columns), constantBody(c.rows, c.columns)
		var err error
		n := taken(func() { _, err = decodeRows(body, s, 1, nil, nil) })
		if n > mostTaken || (err == nil) != c.read {
			t.Errorf("%d rows of %d columns in %d bytes: took %d MiB, %v", c.rows, c.columns, len(body), n>>20, err)
		}
	}
	if _, err := decodeSchema(wideSchema(maxColumns).encode()); err != nil {
		t.Errorf("the widest schema: %v", err)
	}
	if _, err := decodeSchema(wideSchema(maxColumns + 1).encode()); err == nil {
		t.Error("a wider schema is read")
	}
}

// A batch in the ring is held to a bound over all of its blocks.
func TestABatchAsksForNoMoreThanItsFormat(t *testing.T) {
	s, body := wideSchema(maxCells/maxRows), constantBody(maxRows, maxCells/maxRows)
	batch := func(blocks int) []byte {
		b := binary.AppendUvarint(binary.AppendUvarint(nil, 0), uint64(blocks))
		for range blocks {
			b = appendText(binary.AppendUvarint(appendText(b, string(s.encode())), 1), string(body))
		}
		return binary.AppendUvarint(b, 0)
	}
	if _, err := decodeBatch(batch(batchCells / maxCells)); err != nil {
		t.Errorf("the largest batch: %v", err)
	}
	if _, err := decodeBatch(batch(batchCells/maxCells + 1)); err == nil {
		t.Error("a larger batch is read")
	}
}

// A minute is there once in six hours.
func TestMinutesAskForNoMoreThanTheirFormat(t *testing.T) {
	s := wideSchema(0)
	for n, read := range map[int]bool{tierChunk: true, tierChunk + 1: false} {
		at := make([]int64, n)
		for i := range at {
			at[i] = int64(i)
		}
		m := &minutes{schema: s, boot: 1, at: at}
		if _, err := decodeMinutes(m.encode(), s, 1, nil); (err == nil) != read {
			t.Errorf("%d minutes: %v", n, err)
		}
	}
}

// A scan that is wider than the format is refused, not kept unreadably.
func TestAScanWiderThanTheFormatIsRefused(t *testing.T) {
	s := mustOpen(t, options(t.TempDir()))
	scan := func(points int, at time.Duration) *model.Scan {
		var all []model.Sample
		for i := range points {
			all = append(all, model.GoodSample(model.PointID(fmt.Sprint("p", i)), 1))
		}
		return scanAt("wide/1s", 1, at, all...)
	}
	mustAppend(t, s, scan(maxColumns, 0))
	if err := s.Append(scan(maxColumns+1, time.Second), nil); err == nil || !strings.Contains(err.Error(), "another interval") {
		t.Errorf("one more: %v", err)
	}
	mustClose(t, s)
}

// A stream whose lengths claim more than there is takes no room for them.
func TestABackupAsksForNoMoreThanItBrings(t *testing.T) {
	head := append([]byte(backupMagic), backupVersion)
	for name, rest := range map[string][]byte{
		"a long group":  binary.AppendUvarint([]byte{byte(recordEvent)}, largestName+1),
		"a long key":    binary.AppendUvarint([]byte{byte(recordEvent), 0}, largestName+1),
		"a long event":  binary.AppendUvarint([]byte{byte(recordEvent), 0, 0}, largestEntry+1),
		"a long block":  binary.AppendUvarint([]byte{byte(recordBlock), 0, 0}, largestBlock+1),
		"a block alone": binary.AppendUvarint([]byte{byte(recordBlock), 0, 0}, largestBlock),
	} {
		var err error
		n := taken(func() {
			for _, e := range readStream(bytes.NewReader(append(head, rest...))) {
				err = errors.Join(err, e)
			}
		})
		if !errors.Is(err, errCutOff) || n > 1<<20 {
			t.Errorf("%s: took %d kB, %v", name, n>>10, err)
		}
	}
}

// Entries that are not what was kept are named up to a bound and counted.
func TestMissingEntriesAreNamedUpToABound(t *testing.T) {
	out := &bytes.Buffer{}
	s := &stream{w: bufio.NewWriter(out), sum: crc32.New(castagnoli)}
	s.write(append([]byte(backupMagic), backupVersion))
	for range mostMissing + 5 {
		s.record(record{kind: recordEvent, key: []byte("k"), value: []byte("x")})
	}
	if err := s.end(); err != nil {
		t.Fatal(err)
	}
	copied, err := Restore(t.Context(), out, t.TempDir())
	if err != nil || len(copied.Missing) != mostMissing+1 || copied.Missing[mostMissing] != "5 more entries" {
		t.Errorf("%v, %d named, the last %q", err, len(copied.Missing), copied.Missing[len(copied.Missing)-1])
	}
}

// FuzzBlock reads bytes that nobody wrote: an error, or rows that are packed
// and read back as they are, and never more room than the format allows.
func FuzzBlock(f *testing.F) {
	s := &schema{group: "g", points: []model.PointID{"a", "b"}, scales: []scale{{Resolution: model.Resolution{Num: 1, Den: 10}}, {}}}
	r := newRows(s, 1)
	for i := range 70 {
		r.add(scanAt("g", 1, time.Duration(i)*time.Second, model.GoodSample("a", float64(i)/10), model.BadSample("b", model.NoAnswer)))
	}
	f.Add(s.encode(), encodeRows(r))
	f.Add(wideSchema(3).encode(), constantBody(maxRows, 3))
	f.Add(wideSchema(100).encode(), constantBody(maxRows, 100))
	f.Fuzz(func(t *testing.T, schema, body []byte) {
		s, err := decodeSchema(schema)
		if err != nil {
			return
		}
		rows, err := decodeRows(body, s, 1, nil, nil)
		if err != nil || len(rows.at)*len(s.points) > 1<<16 {
			return // what is packed again below is kept small
		}
		again, err := decodeRows(encodeRows(rows), s, 1, nil, nil)
		if err != nil {
			t.Fatal(err)
		}
		for i := range rows.values {
			if !sameBits(again.values[i], rows.values[i]) {
				t.Fatalf("column %d: %v came back as %v", i, rows.values[i], again.values[i])
			}
		}
	})
}

// FuzzBackup reads streams with an entry that nobody wrote, its sums right, into
// a new store: an error, or a store that is opened and read without a panic.
func FuzzBackup(f *testing.F) {
	sc := &schema{group: "g/1s", points: []model.PointID{"a", "b"}, scales: make([]scale, 2)}
	block := binary.AppendUvarint(binary.AppendUvarint(nil, 1), 1)
	f.Add(byte(recordSchema), "", binary.BigEndian.AppendUint32(nil, 1), sc.encode())
	f.Add(byte(recordBlock), "g/1s", blockKey(model.Instant{Boot: 1}), append(block, constantBody(60, 2)...))
	f.Add(byte(recordBlock), "g/1s", blockKey(model.Instant{Boot: 1}), append(block, constantBody(maxRows, 3)...))
	f.Add(byte(recordMinutes), "g/1s", minuteKey(1, 0, 1), []byte{1, 0, 0, 0})
	f.Add(byte(recordEvent), "", binary.BigEndian.AppendUint64(nil, 1), []byte("\x01\x01\x00{\"Kind\":1,\"Text\":\"on\"}"))
	f.Add(byte(recordBoot), "", binary.BigEndian.AppendUint32(nil, 1), []byte(`{"Number":1,"Kernel":"k","Last":9}`))
	f.Add(byte(recordKept), "", blockKey(model.Instant{Boot: 1}), blockKey(model.Instant{Boot: 2}))
	f.Add(byte(recordSpare), "", append([]byte("s"), 0, 0, 0, 1), appendText(nil, string(sc.encode())))
	f.Fuzz(func(t *testing.T, kind byte, group string, key, payload []byte) {
		to := t.TempDir()
		if _, err := Restore(t.Context(), streamWith(t, sc, record{recordKind(kind), group, key, payload}), to); err != nil {
			return
		}
		s, err := Open(Options{Dir: to, ReadOnly: true})
		if err != nil {
			return
		}
		_, err = s.Verify(t.Context(), nil)
		for range s.Scans(model.Query{}) {
		}
		for range s.Events(model.Query{}) {
		}
		if err := errors.Join(err, s.Close()); err != nil {
			t.Fatal(err)
		}
	})
}

// streamWith is a backup of a boot, a schema and one entry of anything.
func streamWith(t *testing.T, sc *schema, r record) *bytes.Buffer {
	t.Helper()
	out := &bytes.Buffer{}
	s := &stream{w: bufio.NewWriter(out), sum: crc32.New(castagnoli)}
	s.write(append([]byte(backupMagic), backupVersion))
	one := binary.BigEndian.AppendUint32(nil, 1)
	for _, r := range []record{{recordBoot, "", one, []byte(`{"Number":1,"Kernel":"k"}`)}, {recordSchema, "", one, sc.encode()}, r} {
		r.value = wrap(r.key, r.value)
		s.record(r)
	}
	if err := s.end(); err != nil {
		t.Fatal(err)
	}
	return out
}
