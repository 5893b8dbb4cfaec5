package store

import (
	"os"
	"path/filepath"
	"testing"
	"time"

	"tickover/model"
)

// TestThinning logs for days with room for less, and wants the file bounded,
// the newest samples there, the minutes complete, the black box untouched and
// the check clean.
func TestThinning(t *testing.T) {
	t.Parallel()
	o := options(t.TempDir())
	o.MaxBytes = 120 << 10
	s := mustOpen(t, o)
	alarm := model.Event{At: model.Instant{Boot: 1, Offset: 2 * time.Hour}, Kind: model.AlarmTransition, Text: "oil",
		Alarm: &model.AlarmEvent{Rule: "oil", Priority: model.Critical, To: model.AlarmUnacknowledged}}
	largest := int64(0)
	for day := range 4 {
		for sec := day * 86400; sec < (day+1)*86400; sec += 15 {
			scan := scanAt("meter/15s", 1, time.Duration(sec)*time.Second, model.GoodSample("v", float64(sec*7919%10007)/10))
			var events []model.Event
			if sec == 7200 {
				events = []model.Event{alarm}
			}
			mustAppend(t, s, scan, events...)
		}
		largest = max(largest, s.data.used())
	}
	if largest > o.MaxBytes+64<<10 {
		t.Fatalf("%d bytes in use, the limit is %d", largest, o.MaxBytes)
	}
	rows := lines(t, s, model.Query{})
	if len(rows) == 4*5760 || len(rows) < 2880 {
		t.Fatalf("%d rows left", len(rows))
	}
	span := alarm.BlackBox(model.Clock{})
	if box := lines(t, s, model.Query{From: span.From, To: span.To}); len(box) != 24 {
		t.Fatalf("the black box holds %d rows", len(box))
	}
	if m, _ := minuteLines(t, s, model.Query{}); len(m) != 4*1440 {
		t.Fatalf("%d minutes", len(m))
	}
	if e := eventTexts(t, s, model.Query{}); len(e) != 1 {
		t.Fatal(e)
	}
	mustClose(t, s)
	mustBeClean(t, o.Dir)
	mustBeClean(t, copyStore(t, o.Dir))
	st, err := os.Stat(filepath.Join(o.Dir, dataName))
	if err != nil || st.Size() > o.MaxBytes+3*growth {
		t.Fatal(st.Size(), err)
	}
	s = mustOpen(t, o)
	if left := lines(t, s, model.Query{}); len(left) > len(rows) || len(left) < 2880 {
		t.Fatalf("%d rows after opening again, %d before", len(left), len(rows))
	}
}

// TestThinningByAge counts logged time only: a month between two boots ages
// nothing.
func TestThinningByAge(t *testing.T) {
	t.Parallel()
	o := options(t.TempDir())
	o.KeepSamples = time.Hour
	s := mustOpen(t, o)
	fill(t, s, 1, 0, 3000)
	mustClose(t, s)
	o.KernelBoot = "22222222-2222-2222-2222-222222222222"
	s = mustOpen(t, o)
	fill(t, s, 2, 30*86400, 500)
	count := func() int { return len(lines(t, s, model.Query{To: model.Instant{Boot: 2}})) }
	if n := count(); n != 3000 {
		t.Fatalf("%d rows of the first boot left after 58 logged minutes", n)
	}
	fill(t, s, 2, 30*86400+500, 2600)
	if n := count(); n == 3000 || n < 1100 {
		t.Fatalf("%d rows of the first boot left after 100 logged minutes", n)
	}
}
