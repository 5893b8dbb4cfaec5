package report

import (
	"bytes"
	"encoding/json"
	"errors"
	"flag"
	"iter"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"unicode/utf8"

	"tickover/model"
)

var record = flag.Bool("record", false, "write the golden reports anew; review the diff")

// outputs writes the record in every format. The golden HTML has no plots:
// their coordinates would drown every other change.
func outputs(t *testing.T, rec *model.RunRecord, clock model.Clock, series Series) map[string][]byte {
	t.Helper()
	out := map[string][]byte{}
	for name, write := range map[string]func(*bytes.Buffer) error{
		"txt":  func(b *bytes.Buffer) error { return Text(b, rec, clock) },
		"json": func(b *bytes.Buffer) error { return JSON(b, rec, clock) },
		"html": func(b *bytes.Buffer) error { return HTML(b, rec, clock, series) },
	} {
		var b bytes.Buffer
		if err := write(&b); err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		out[name] = b.Bytes()
	}
	return out
}

func TestReportsAreAsRecorded(t *testing.T) {
	dir := filepath.Join("..", "..", "..", "testdata", "report")
	for name, got := range outputs(t, hatchery(), hatcheryClock(), nil) {
		file := filepath.Join(dir, "hatchery."+name)
		if *record {
			if err := os.WriteFile(file, got, 0o644); err != nil {
				t.Fatal(err)
			}
		}
		want, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(got, want) {
			t.Errorf("%s differs; run with -record and review the diff", file)
		}
	}
}

// TestWords holds every report to the house's vocabulary: nothing is called
// what no logger can know.
func TestWords(t *testing.T) {
	forbidden := regexp.MustCompile(`(?i)\b(safe|unsafe|safely|complies|compliant|compliance|passed|failed the test)\b|NaN|\+Inf|%!`)
	for _, rec := range []*model.RunRecord{hatchery(), {}} {
		for name, got := range outputs(t, rec, hatcheryClock(), hatcherySeries) {
			if hit := forbidden.Find(got); hit != nil {
				t.Errorf("%s says %q", name, hit)
			}
		}
	}
}

func TestHTMLRefersToNothingOutside(t *testing.T) {
	got := outputs(t, hatchery(), hatcheryClock(), hatcherySeries)["html"]
	outside := regexp.MustCompile(`(?i)(https?:|//[a-z]|\bsrc=|href=|url\(|@import|<script|<link|<iframe|<object| style="| on[a-z]+=)`)
	if hit := outside.Find(got); hit != nil {
		t.Errorf("the report holds %q", hit)
	}
	if len(got) > 500_000 {
		t.Errorf("the report has %d bytes", len(got))
	}
	if bytes.Contains(got, []byte("<2>")) {
		t.Error("a note was not escaped")
	}
}

func TestPlotsHaveTextTitleAndDescription(t *testing.T) {
	got := string(outputs(t, hatchery(), hatcheryClock(), hatcherySeries)["html"])
	for _, id := range []string{"frequency", "voltages", "power", "oil", "coolant", "battery"} {
		for _, want := range []string{`<title id="` + id + `-title">`, `<desc id="` + id + `-desc">`} {
			if !strings.Contains(got, want) {
				t.Errorf("no %s", want)
			}
		}
	}
	if n := strings.Count(got, "<text"); n < 60 {
		t.Errorf("only %d texts in the plots", n)
	}
	if !strings.Contains(got, "18:40</text>") {
		t.Error("the time axis does not carry times of day")
	}
}

func TestSimulatedIsMarkedAndRealIsNot(t *testing.T) {
	rec := hatchery()
	for _, simulated := range []bool{true, false} {
		rec.Simulated = simulated
		out := outputs(t, rec, hatcheryClock(), hatcherySeries)
		for name, mark := range map[string]string{"html": `class="watermark"`, "txt": "SIMULATED", "json": `"simulated": true`} {
			if strings.Contains(string(out[name]), mark) != simulated {
				t.Errorf("%s: simulated %v, but mark %q says otherwise", name, simulated, mark)
			}
		}
	}
}

func TestTextFitsEightyColumns(t *testing.T) {
	for line := range strings.Lines(string(outputs(t, hatchery(), hatcheryClock(), nil)["txt"])) {
		if n := utf8.RuneCountInString(strings.TrimSuffix(line, "\n")); n > textWidth {
			t.Errorf("%d columns: %s", n, line)
		}
	}
}

func TestEveryKeyOfTheJSONIsDocumented(t *testing.T) {
	schema, err := os.ReadFile("SCHEMA.md")
	if err != nil {
		t.Fatal(err)
	}
	var doc any
	if err := json.Unmarshal(outputs(t, hatchery(), hatcheryClock(), nil)["json"], &doc); err != nil {
		t.Fatal(err)
	}
	free := map[string]bool{"before": true, "after": true, "values": true, "points": true, "conditions": true}
	var walk func(v any)
	walk = func(v any) {
		switch v := v.(type) {
		case []any:
			for _, e := range v {
				walk(e)
			}
		case map[string]any:
			for k, e := range v {
				if !bytes.Contains(schema, []byte("`"+k+"`")) {
					t.Errorf("SCHEMA.md does not tell of %q", k)
				}
				if _, object := e.(map[string]any); !object || !free[k] {
					walk(e)
				}
			}
		}
	}
	walk(doc)
}

func TestReportsWithoutAClockStillTellDurations(t *testing.T) {
	rec := hatchery()
	rec.ClockKnown = model.ClockUnknown
	out := outputs(t, rec, model.Clock{}, hatcherySeries)
	var doc document
	if err := json.Unmarshal(out["json"], &doc); err != nil {
		t.Fatal(err)
	}
	if doc.Run.Started != nil || doc.Steps[0].At != nil || *doc.Steps[0].Offset != 600 {
		t.Errorf("started %v, first step %+v", doc.Run.Started, doc.Steps[0].moment)
	}
	if !bytes.Contains(out["html"], []byte("+0:10</text>")) {
		t.Error("the time axis does not carry times into the run")
	}
}

func TestEmptyRecordSaysSoEverywhere(t *testing.T) {
	got := string(outputs(t, &model.RunRecord{}, model.Clock{}, nil)["html"])
	for _, want := range []string{"Nothing could be concluded", "No crank recorded", "No load step recorded", "No figure could be calculated",
		"No soak was run", "None were entered", "The sensor list is not on record", "No samples of this run are on record"} {
		if !strings.Contains(got, want) {
			t.Errorf("an empty report does not say %q", want)
		}
	}
}

func TestBrokenSeriesIsReported(t *testing.T) {
	broken := errors.New("page 7 is damaged")
	series := func(model.Query) iter.Seq2[*model.Scan, error] {
		return func(yield func(*model.Scan, error) bool) { yield(nil, broken) }
	}
	if err := HTML(&bytes.Buffer{}, hatchery(), hatcheryClock(), series); !errors.Is(err, broken) {
		t.Errorf("got %v", err)
	}
}
