package store

import (
	"bytes"
	"context"
	"flag"
	"os"
	"path/filepath"
	"testing"
	"time"

	"tickover/model"
)

// boundedDays is how long TestYearStaysBounded logs; ten years are
// go test ./collector/store -run YearStaysBounded -boundeddays 3650 -timeout 1h.
var boundedDays = flag.Int("boundeddays", 365, "days that the bounded file logs")

// TestYearStaysBounded runs a set ten minutes every four hours for a year, with
// room for some weeks. The file must stop growing, and so must the list of its
// free pages; every minute of the year must be there.
func TestYearStaysBounded(t *testing.T) {
	t.Parallel()
	o := options(t.TempDir())
	o.MaxBytes = 480 << 10
	s := mustOpen(t, o)
	path, largest, rows := filepath.Join(o.Dir, dataName), int64(0), 0
	for at := range *boundedDays * 6 {
		for i := range 20 {
			offset := time.Duration(at)*4*time.Hour + time.Duration(i)*30*time.Second
			mustAppend(t, s, scanAt("meter/30s", 1, offset, model.GoodSample("v", float64((at*20+i)*7919%10007)/10), model.GoodSample("t", float64(i))))
			rows++
		}
		if st, err := os.Stat(path); err == nil {
			largest = max(largest, st.Size())
		}
		if n := s.data.open.Load().db.Stats().FreePageN; at > 6*30 && n > 200 {
			t.Fatalf("%d free pages after %d hours", n, 4*at)
		}
	}
	if most := o.MaxBytes + 3*growth; largest > most {
		t.Errorf("the file was %d bytes, at most %d were wanted", largest, most)
	}
	minutes, _ := minuteLines(t, s, model.Query{})
	left := len(lines(t, s, model.Query{}))
	if len(minutes) != 2**boundedDays*6*10 || left > rows/4 || left < 20*6*7 {
		t.Errorf("%d minutes of two points, %d of %d rows", len(minutes), left, rows)
	}
	t.Logf("%d of %d rows left, the file was never more than %d bytes", left, rows, largest)
}

// TestNobodyHoldsATransaction looks, each time a reader hands something out,
// whether a read transaction is open: a slow reader would hold back the pages
// that are free, and the file would grow.
func TestNobodyHoldsATransaction(t *testing.T) {
	t.Parallel()
	s := mustOpen(t, options(t.TempDir()))
	for i := range 10 {
		fill(t, s, 1, i*600, 600)
		if err := s.AppendEvents([]model.Event{note(1, time.Duration(i)*10*time.Minute, "x")}); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.PutSetup(s.Last(), model.Setup{Simulated: true}); err != nil {
		t.Fatal(err)
	}
	seen := 0
	look := func(what string, err error) {
		seen++
		if n := s.data.open.Load().db.Stats().OpenTxN; n != 0 || err != nil {
			t.Fatalf("%s: %d transactions open, %v", what, n, err)
		}
	}
	for _, err := range s.Scans(model.Query{}) {
		look("scans", err)
	}
	for _, err := range s.Scans(model.Query{Newest: 2000}) {
		look("newest scans", err)
	}
	for _, err := range s.Columns(model.Query{}) {
		look("columns", err)
	}
	for _, err := range s.Minutes(model.Query{}) {
		look("minutes", err)
	}
	for _, err := range s.Events(model.Query{}) {
		look("events", err)
	}
	for range s.Setups() {
		look("setups", nil)
	}
	w := looking{func() { look("backup", nil) }}
	if err := s.Backup(context.Background(), w, model.Span{}, func(int64) { look("progress", nil) }); err != nil {
		t.Fatal(err)
	}
	if _, err := s.Verify(context.Background(), func(int, int) { look("verify", nil) }); err != nil {
		t.Fatal(err)
	}
	if seen < 8000 {
		t.Fatal(seen)
	}
}

// looking does something at each write.
type looking struct{ look func() }

func (l looking) Write(b []byte) (int, error) { l.look(); return bytes.NewBuffer(nil).Write(b) }
