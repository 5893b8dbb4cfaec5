package page

import (
	"bufio"
	"context"
	"errors"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"tickover/model"
)

// plotted is the hatchery with ten minutes of readings, one of them a dip.
func plotted() *fakeRecord {
	s := hatchery()
	s.setup.Rating = model.Rating{Name: "Standby set", ApparentPower: 50e3, PowerFactor: 0.8, Voltage: 400, Frequency: 50}
	for sec := range 600 {
		scan := &model.Scan{At: now.Add(time.Duration(sec-600) * time.Second)}
		f := 50.1
		if sec == 300 {
			f = 46.4
		}
		scan.Samples = []model.Sample{model.GoodSample(model.FrequencyPoint, f), model.GoodSample(model.OilPressure, 3e5)}
		if sec > 400 && sec < 430 {
			scan.Samples[1] = model.BadSample(model.OilPressure, model.NoAnswer)
		}
		s.scans = append(s.scans, scan)
	}
	s.steps = []model.Instant{now.Add(-5 * time.Minute)}
	return s
}

func TestTrendsKeepShortDipsGapsAndMarks(t *testing.T) {
	s := plotted()
	body := ask(serve(s, Options{}), "GET", "/trends?span=10m", "").Body.String()
	for _, want := range []string{"Lowest 46.40 Hz", "<title id=", "<desc id=", "Min/max per", `>1</text>`} {
		if !strings.Contains(body, want) {
			t.Errorf("the trends do not hold %q", want)
		}
	}
	// The oil's line is drawn in two parts: a gap stays a gap.
	oil := body[strings.Index(body, "Oil pressure, bar"):]
	oil = oil[:strings.Index(oil, "</figure>")]
	if n := strings.Count(oil, "stroke-width=\"0.8\"") + strings.Count(oil, "stroke-width:0.8"); n != 0 && n < 2 {
		t.Errorf("the oil pressure is drawn in %d parts", n)
	}
	if w := ask(serve(s, Options{}), "GET", "/trends?span=decade", ""); w.Code != 400 {
		t.Errorf("an unknown span: %d", w.Code)
	}
	if w := ask(serve(s, Options{}), "GET", "/trends?span=run&run=9", ""); w.Code != 404 {
		t.Errorf("an unknown run: %d", w.Code)
	}
	for _, span := range []string{"1h", "8h", "run", "year"} {
		if w := ask(serve(s, Options{}), "GET", "/trends?span="+span+"&part", ""); w.Code != 200 || strings.Contains(w.Body.String(), "<html") {
			t.Errorf("%s: %d", span, w.Code)
		}
	}
	s.list, s.scans = nil, nil
	if body := ask(serve(s, Options{}), "GET", "/trends?span=run", "").Body.String(); !strings.Contains(body, "No readings in this period") {
		t.Error("without a run the page does not say so")
	}
	s.broken = errors.New("page 7")
	if w := ask(serve(s, Options{}), "GET", "/trends", ""); w.Code != 500 || strings.Contains(w.Body.String(), "page 7") {
		t.Errorf("a broken store: %d %s", w.Code, w.Body)
	}
}

func TestDrawingsAreSharedWhileFresh(t *testing.T) {
	s := plotted()
	h := serve(s, Options{})
	first := ask(h, "GET", "/trends?part", "").Body.String()
	s.scans = nil
	if again := ask(h, "GET", "/trends?part", "").Body.String(); again != first {
		t.Error("a second page had the plots drawn anew")
	}
}

func TestNextStepSaysWhatIsMissingAndWhatToSetBy(t *testing.T) {
	s := plotted()
	s.snap.Ready = model.Readiness{Unmet: []string{"the load is held for 2:10 of 5:00", "coolant rises", "oil pressure falls"}, Left: 170 * time.Second, Held: 130 * time.Second,
		Frequency: model.Swing{Known: true, Mean: 50.62, Width: 0.21, Over: 10 * time.Second}, Voltage: model.Swing{Known: true, Mean: 251, Width: 1.2, Over: 10 * time.Second}}
	s.snap.Readings[model.PowerActive] = reading(model.PowerActive, 20000, time.Second) // half of 40 kW
	body := ask(serve(s, Options{}), "GET", "/next?droop=4", "").Body.String()
	for _, want := range []string{"Not ready: 2 min to go", "the load is held for 2:10 of 5:00", "And 1 more", "held for 2 min",
		"Target 51.00 Hz, from 50.38 to 51.62", "50.62</b>", "within target", "20.06 V too high", "52.00 Hz at no load", `aria-current="true">4 %`} {
		if !strings.Contains(body, want) {
			t.Errorf("the page does not hold %q:\n%s", want, body[strings.Index(body, "<main>"):])
		}
	}
	s.snap.Ready = model.Readiness{Ready: true}
	if body := ask(serve(s, Options{}), "GET", "/next", "").Body.String(); !strings.Contains(body, "Ready for the next step") || !strings.Contains(body, "not known yet") {
		t.Error("ready is not said, or a number is made up")
	}
	s.snap.At = now.Add(-time.Minute)
	if body := ask(serve(s, Options{}), "GET", "/next", "").Body.String(); strings.Contains(body, "Ready for") || !strings.Contains(body, "No new reading for 60 s") {
		t.Error("the light stays on although nothing comes in")
	}
	for _, odd := range []string{"-1", "NaN", "1e9", "<script>"} {
		if body := ask(serve(s, Options{}), "GET", "/next?droop="+odd, "").Body.String(); strings.Contains(body, "NaN") || strings.Contains(body, "<script>alert") {
			t.Errorf("droop %s: odd page", odd)
		}
	}
}

func TestAlarmsPageOffersWhatAPersonMayDo(t *testing.T) {
	s := hatchery().alarmed()
	s.snap.Alarms[0].State = model.AlarmLatchedAcknowledged
	s.snap.Alarms = append(s.snap.Alarms, model.AlarmStatus{Rule: model.AlarmRule{ID: "fuel.low", Label: "Fuel low"}, State: model.AlarmShelved, Until: now.Add(time.Hour), Why: "tank swapped"},
		model.AlarmStatus{Rule: model.AlarmRule{ID: "air.hot", Label: "Air hot"}, State: model.AlarmOutOfService, Why: "sensor broken"})
	body := ask(serve(s, Options{Token: token}), "GET", "/alarms", "").Body.String()
	for _, want := range []string{"/api/v1/alarms/oil.pressure.low/reset", "/api/v1/alarms/oil.pressure.low/shelve", "/api/v1/alarms/fuel.low/unshelve",
		"/api/v1/alarms/air.hot/in-service", "60 min left", "tank swapped", "rule of thumb", "below 1.05 bar"} {
		if !strings.Contains(body, want) {
			t.Errorf("the page does not hold %q", want)
		}
	}
	if body := ask(serve(s, Options{}), "GET", "/alarms", "").Body.String(); strings.Contains(body, "<form") {
		t.Error("forms are shown although nobody may write")
	}
}

func TestAlarmsPageSaysHowLongATellingTakes(t *testing.T) {
	s := hatchery().alarmed()
	if body := ask(serve(s, Options{}), "GET", "/alarms", "").Body.String(); strings.Contains(body, "No oil pressure after start”") {
		t.Error("a delay is stated for a rule that does not exist")
	}
	missing := oilLow
	missing.ID, missing.ArmDelay, missing.OnDelay = "oil.pressure.missing", 8*time.Second, time.Second
	s.snap.Alarms = append(s.snap.Alarms, model.AlarmStatus{Rule: missing})
	if body := ask(serve(s, Options{}), "GET", "/alarms", "").Body.String(); strings.Contains(body, "No oil pressure after start”") {
		t.Error("a delay is stated although it is not known how often the point is read")
	}
	s.setup.Devices = []model.Device{{Name: "adapter", Every: 1500 * time.Millisecond, Points: []model.Point{{ID: model.OilPressure, Device: "adapter"}}}}
	const want = "“No oil pressure after start” takes about 11 s, longer if a reading is lost."
	if body := ask(serve(s, Options{}), "GET", "/alarms", "").Body.String(); !strings.Contains(body, want) {
		t.Errorf("the page does not say %q", want)
	}
}

func TestTimelinesShowTheNewestAndLeadBack(t *testing.T) {
	s := hatchery()
	for i := range uint64(mostHappenings) {
		s.events = append(s.events, model.Event{Seq: 5 + i, At: at(41 * time.Minute), Kind: model.RemarkEvent, Text: "knock", Photo: 3})
	}
	h := serve(s, Options{})
	body := ask(h, "GET", "/timeline", "").Body.String()
	if n := strings.Count(body, "<b>remark</b>"); n != mostHappenings || !strings.Contains(body, `href="/timeline?before=5"`) || !strings.Contains(body, `src="/api/v1/photos/3"`) {
		t.Errorf("%d remarks", n)
	}
	if body := ask(h, "GET", "/timeline?before=5", "").Body.String(); !strings.Contains(body, "fuel bled") || strings.Contains(body, "Older") {
		t.Error("the older page does not hold the beginning")
	}
	if w := ask(h, "GET", "/timeline?before=x", ""); w.Code != 400 {
		t.Errorf("a cursor that is no number: %d", w.Code)
	}
	body = ask(h, "GET", "/runs/1", "").Body.String()
	for _, want := range []string{`href="/runs/1/report"`, `href="/trends?span=run&amp;run=1"`, "/api/v1/runs/1/bundle", "/runs/1/compare/2", "cranking, was standstill. battery 9.3 V"} {
		if !strings.Contains(body, want) {
			t.Errorf("the run's page does not hold %q", want)
		}
	}
}

func TestRunsAreComparedOnOnePage(t *testing.T) {
	s := plotted()
	h := New(partsOf(s), Options{Now: func() model.Instant { return now }})
	body := ask(h, "GET", "/runs/1/compare/2", "").Body.String()
	if !strings.Contains(body, "lower by 0.2 bar") || !strings.Contains(body, "Run 1 against run 2") {
		t.Errorf("the page says %s", body[strings.Index(body, "<main>"):])
	}
	if w := ask(h, "GET", "/runs/1/compare/9", ""); w.Code != 404 {
		t.Errorf("an unknown run: %d", w.Code)
	}
}

func TestPagesArePackedForThoseWhoCanUnpack(t *testing.T) {
	w := ask(serve(hatchery(), Options{}), "GET", "/", "", "Accept-Encoding", "gzip")
	if w.Header().Get("Content-Encoding") != "gzip" || w.Body.Len() > 20_000 {
		t.Errorf("%v, %d bytes", w.Header(), w.Body.Len())
	}
}

// A reader that takes nothing loses its stream after a while, and others get
// theirs meanwhile.
func TestReaderThatTakesNothingHoldsNobodyUp(t *testing.T) {
	s := hatchery()
	server := httptest.NewServer(New(partsOf(s), Options{}))
	defer server.Close()
	for range 20 {
		conn, err := net.Dial("tcp", server.Listener.Addr().String())
		if err != nil {
			t.Fatal(err)
		}
		defer conn.Close()
		io.WriteString(conn, "GET /api/v1/stream?view=page HTTP/1.1\r\nHost: x\r\n\r\n")
	}
	answer, err := http.Get(server.URL + "/api/v1/stream")
	if err != nil {
		t.Fatal(err)
	}
	defer answer.Body.Close()
	if line, err := bufio.NewReader(answer.Body).ReadString('\n'); err != nil || line != "event: now\n" {
		t.Errorf("%q, %v", line, err)
	}
}

// A stream that its reader drops gives its slot back.
func TestDroppedStreamsGiveTheirSlotsBack(t *testing.T) {
	s := hatchery()
	f := &server{Parts: partsOf(s), streams: seats{most: 2, share: 2}, log: slog.New(slog.DiscardHandler)}
	server := httptest.NewServer(http.HandlerFunc(f.apiStream))
	defer server.Close()
	for range 10 {
		ctx, drop := context.WithCancel(t.Context())
		req, _ := http.NewRequestWithContext(ctx, "GET", server.URL, nil)
		answer, err := http.DefaultClient.Do(req)
		if err != nil {
			t.Fatal(err)
		}
		drop()
		answer.Body.Close()
		s.next(s.snap)
		for range 500 {
			if f.streams.len() == 0 {
				break
			}
			time.Sleep(10 * time.Millisecond)
		}
	}
	if n := f.streams.len(); n != 0 {
		t.Errorf("%d slots are still taken", n)
	}
}

func TestProblemsAreShownAsAPageToPeople(t *testing.T) {
	h := serve(hatchery(), Options{})
	w := ask(h, "GET", "/runs/9", "", "Accept", "text/html")
	if w.Code != 404 || !strings.Contains(w.Body.String(), "there is no run &#34;9&#34;") || !strings.Contains(w.Body.String(), `href="/"`) {
		t.Errorf("%d %.300s", w.Code, w.Body)
	}
	if w := ask(h, "GET", "/api/v1/runs/9/report", "", "Accept", "text/html"); w.Header().Get("Content-Type") != "application/json; charset=utf-8" {
		t.Errorf("the API answers a browser with %s", w.Header().Get("Content-Type"))
	}
}

// The Next page takes its bands from the limit set that the report judges by.
// G3 of ISO 8528-5 allows a frequency band of 0.5 % and a voltage deviation of
// 1 %; G4 names none.
func TestNextStepJudgesByTheLimitSetOfTheReport(t *testing.T) {
	s := plotted()
	s.snap.Ready = model.Readiness{Frequency: model.Swing{Known: true, Mean: 50.62}, Voltage: model.Swing{Known: true, Mean: 234}}
	s.snap.Readings[model.PowerActive] = reading(model.PowerActive, 40000, time.Second)
	s.setup.LimitSets = []model.LimitSet{{Name: "buyer", BasedOn: "G2",
		Limits: map[string]float64{"steady-state frequency band": 0.04, "steady-state voltage deviation": 0.03}}}
	for class, want := range map[string][]string{
		"G3":             {"from 49.88 to 50.12", "0.62 Hz too high", "3.06 V too high"},
		"buyer":          {"from 49.00 to 51.00", "from 224.0 to 237.9", "within target", "limit set buyer"},
		"G4":             {"the limit set has no band", "0.62 Hz from the target"},
		"older military": {"the limit set has no band", "from 229.8 to 232.1"},
	} {
		s.setup.Rating.Class = class
		body := ask(serve(s, Options{}), "GET", "/next", "").Body.String()
		for _, w := range want {
			if !strings.Contains(body, w) {
				t.Errorf("%s: no %q in:\n%s", class, w, body[strings.Index(body, "<main>"):])
			}
		}
	}
}
