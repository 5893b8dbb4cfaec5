package page

import (
	"bufio"
	"encoding/json"
	"errors"
	"net/http"
	"net/http/httptest"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"tickover/cmd/tickover/api"
	"tickover/model"
)

const token = "a long and secret word"

func serve(s *fakeRecord, o Options) http.Handler {
	if o.Now == nil {
		o.Now = func() model.Instant { return now }
	}
	return New(partsOf(s), o)
}

// serveWith serves a daemon's set, which has outlets.
func serveWith(s *fakeRecord, out *fakeOutlets) http.Handler {
	parts := partsOf(s)
	parts.Outlets, parts.CheckIns = out, out
	return New(parts, Options{Token: token, Now: func() model.Instant { return now }})
}

// ask sends one request straight to the handler.
func ask(h http.Handler, method, target, body string, header ...string) *httptest.ResponseRecorder {
	r := httptest.NewRequest(method, target, strings.NewReader(body))
	if body != "" {
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	}
	for i := 0; i+1 < len(header); i += 2 {
		r.Header.Set(header[i], header[i+1])
	}
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	return w
}

func decode[T any](t *testing.T, w *httptest.ResponseRecorder) T {
	t.Helper()
	var v T
	if err := json.Unmarshal(w.Body.Bytes(), &v); err != nil {
		t.Fatalf("%v in %s", err, w.Body)
	}
	return v
}

func TestNowShowsEveryFigureWithItsAge(t *testing.T) {
	body := ask(serve(hatchery(), Options{}), "GET", "/", "").Body.String()
	for _, want := range []string{"3.2<small>4</small>", "83.6<small></small>", "50.1<small>2</small>", "229.7", "231.2", "233.9", "43.2", "12.5", "8.1",
		"14.3", "35.9", "14.08", "for 22 min", "<b>on load</b>", "●", "SIMULATED", "This logger only watches", `id="cautions"`, "carbon monoxide"} {
		if !strings.Contains(body, want) {
			t.Errorf("the page does not show %q", want)
		}
	}
	if n := strings.Count(body, `class="age">`); n != 12 {
		t.Errorf("%d ages, want one for each of 12 readings", n)
	}
}

func TestStaleReadingsAreStruckAndSayWhy(t *testing.T) {
	s := hatchery()
	failed := reading(model.OilPressure, 324000, 40*time.Second)
	failed.Sample = model.BadSample(model.OilPressure, model.NoAnswer)
	s.snap.Readings[model.OilPressure] = failed
	s.snap.Readings[model.FrequencyPoint] = reading(model.FrequencyPoint, 50.1, 6*time.Second)
	delete(s.snap.Readings, model.BatteryVoltage)
	body := ask(serve(s, Options{}), "GET", "/", "").Body.String()
	for _, want := range []string{`class="big stale"><div class="what"><b>Oil</b><span class="unit">bar</span><span class="age"><i>no answer</i> 40 s ago`,
		"<i>too old</i> 6 s ago", `class="small none"><span class="name"><b>Battery</b> <span class="age">not set up`} {
		if !strings.Contains(body, want) {
			t.Errorf("the page does not hold %q", want)
		}
	}
	if v := decode[api.Now](t, ask(serve(s, Options{}), "GET", "/api/v1/now", "")).Points[model.OilPressure]; v.Value != nil || !v.Stale || *v.Age != 40 || *v.LastGood != 324000 {
		t.Errorf("the API gives %+v", v)
	}
}

func TestSlowlyPolledPointIsNotStaleBetweenTwoPolls(t *testing.T) {
	s := hatchery()
	s.setup.Devices = []model.Device{{Name: "panel", Every: 10 * time.Second, Points: []model.Point{{ID: model.OilPressure, Device: "panel", Quantity: model.Pressure}}}}
	for age, want := range map[time.Duration]bool{25 * time.Second: false, 31 * time.Second: true} {
		s.snap.Readings[model.OilPressure] = reading(model.OilPressure, 1e5, age)
		if got := decode[api.Now](t, ask(serve(s, Options{}), "GET", "/api/v1/now", "")).Points[model.OilPressure].Stale; got != want {
			t.Errorf("after %v stale is %v", age, got)
		}
	}
}

func TestStoppedScansAreSaid(t *testing.T) {
	s := hatchery()
	s.snap.At = now.Add(-9 * time.Second)
	if body := ask(serve(s, Options{}), "GET", "/", "").Body.String(); !strings.Contains(body, "No new reading for 9 s") {
		t.Error("the page looks alive nine seconds after the last scan")
	}
}

func TestCriticalAlarmTakesTheScreen(t *testing.T) {
	h := serve(hatchery().alarmed(), Options{Token: token})
	body := ask(h, "GET", "/", "").Body.String()
	for _, want := range []string{`class="screen"`, "CRITICAL", "Oil pressure low", "fell to 0.98 bar (limit 1.05). Now 0.62 bar.", "<b>Do now:</b> Stop the engine with the lever on the injection pump",
		"/api/v1/alarms/oil.pressure.low/acknowledge"} {
		if !strings.Contains(body, want) {
			t.Errorf("the page does not hold %q", want)
		}
	}
	if body := ask(h, "GET", "/?look", "").Body.String(); strings.Contains(body, `class="screen"`) || !strings.Contains(body, `class="strip"`) {
		t.Error("the readings cannot be seen while the alarm waits")
	}
	if body := ask(serve(hatchery(), Options{}), "GET", "/", "").Body.String(); strings.Contains(body, `class="screen"`) {
		t.Error("the screen is taken without an alarm")
	}
}

// An alarm that is over says so with both values, commands nothing and asks for
// a reset; one that lasts comes first.
func TestACriticalAlarmThatIsOverCommandsNothing(t *testing.T) {
	s := hatchery().alarmed()
	over := &s.snap.Alarms[0]
	over.State, over.Since, over.Value = model.AlarmLatchedUnacknowledged, now.Add(-2*time.Second), 320000
	h := serve(s, Options{Token: token})
	body := ask(h, "GET", "/", "").Body.String()
	for _, want := range []string{`class="screen over"`, "CRITICAL, over", "fell to 0.98 bar (limit 1.05). Now 3.20 bar: back to normal.",
		"/api/v1/alarms/oil.pressure.low/reset", ">Reset</button>"} {
		if !strings.Contains(body, want) {
			t.Errorf("the page does not hold %q", want)
		}
	}
	list := ask(h, "GET", "/alarms", "").Body.String()
	now := ask(h, "GET", "/api/v1/alarms", "").Body.String()
	for where, text := range map[string]string{"the page": body, "the list": list, "the API": now} {
		if strings.Contains(text, "lever on the injection pump") || strings.Contains(text, "Acknowledge<") && where == "the page" {
			t.Errorf("%s commands although the alarm is over", where)
		}
	}
	lasting := *over
	lasting.Rule.ID, lasting.Rule.Label, lasting.State = "water.hot", "Coolant too hot", model.AlarmUnacknowledged
	s.snap.Alarms = append(s.snap.Alarms, lasting)
	if body := ask(h, "GET", "/", "").Body.String(); !strings.Contains(body, `<h1 id="critical">Coolant too hot</h1>`) {
		t.Error("an alarm that is over stands before one that lasts")
	}
}

// The API has what raised an alarm, and what to do only while it lasts.
func TestTheAPISaysWhatRaisedAnAlarm(t *testing.T) {
	s := hatchery().alarmed()
	get := func() api.Alarm {
		return decode[[]api.Alarm](t, ask(serve(s, Options{}), "GET", "/api/v1/alarms", ""))[0]
	}
	if a := get(); a.Over || a.Action == "" || a.RaisedBy == nil || *a.RaisedBy != 98000 || *a.RaisedAt != 105000 || a.Raised == nil || !strings.Contains(a.Text, "Now 0.62 bar.") {
		t.Errorf("while it lasts: %+v", a)
	}
	s.snap.Alarms[0].State = model.AlarmLatchedAcknowledged
	if a := get(); !a.Over || a.Action != "" || *a.RaisedBy != 98000 {
		t.Errorf("when it is over: %+v", a)
	}
	s.snap.Alarms[0].State = model.AlarmNormal
	if a := get(); a.Over || a.Action != "" || a.RaisedBy != nil || a.Raised != nil || a.Text != "" {
		t.Errorf("when it is normal: %+v", a)
	}
}

func TestAlarmsThatDoNotTakeTheScreenStandAboveTheReadings(t *testing.T) {
	s := hatchery().alarmed()
	s.snap.Alarms[0].State = model.AlarmAcknowledged
	body := ask(serve(s, Options{}), "GET", "/", "").Body.String()
	if strings.Contains(body, `class="screen"`) || !strings.Contains(body, `<p class="strip critical"><a href="/alarms">⬣ critical: Oil pressure low and more</a></p>`) {
		t.Errorf("no strip in %.9000s", body[strings.Index(body, "<body>"):])
	}
}

func TestAlarmThatDoesNotWatchIsListed(t *testing.T) {
	s := hatchery()
	s.snap.Alarms[0].Watching, s.snap.Alarms[0].Why = false, "oil.pressure does not answer"
	if body := ask(serve(s, Options{}), "GET", "/alarms", "").Body.String(); !strings.Contains(body, "Not monitored now") || !strings.Contains(body, "oil.pressure does not answer") {
		t.Error("a deaf alarm is not shown")
	}
}

func TestBeforeTheFirstScan(t *testing.T) {
	s := hatchery()
	s.snap = nil
	if w := ask(serve(s, Options{}), "GET", "/", ""); w.Code != 200 || !strings.Contains(w.Body.String(), "No device is configured") {
		t.Errorf("page without devices: %d %s", w.Code, w.Body)
	}
	s.setup.Devices = []model.Device{{Name: "panel", Every: time.Second}}
	h := serve(s, Options{})
	if w := ask(h, "GET", "/", ""); w.Code != 200 || !strings.Contains(w.Body.String(), "No reading yet") {
		t.Errorf("page: %d %s", w.Code, w.Body)
	}
	for _, path := range []string{"/api/v1/now", "/api/v1/alarms"} {
		if w := ask(h, "GET", path, ""); w.Code != http.StatusServiceUnavailable {
			t.Errorf("%s: %d", path, w.Code)
		}
	}
}

func TestPagesReferToNothingOutsideAndKeepTheirPolicy(t *testing.T) {
	outside := regexp.MustCompile(`(?i)(https?:|[^-]src="[^/]|\burl\(|@import|<link rel="style|<iframe| style="| on[a-z]+=")`)
	words := regexp.MustCompile(`(?i)\b(safe|unsafe|complies|compliant)\b`)
	h := New(partsOf(eventful().alarmed()), Options{Token: token, Version: "1", Now: func() model.Instant { return now }})
	requireToken := guardedShed(hatchery())
	for _, path := range []string{"/", "/runs", "/runs/1", "/runs/1/compare/2", "/alarms", "/next", "/timeline", "/measure", "/wiring", "/sign-in", "/trends"} {
		w := ask(h, "GET", path, "")
		if path == "/sign-in" {
			w = ask(requireToken, "GET", path, "", "Accept", "text/html")
		} else if w.Code != http.StatusOK {
			t.Errorf("%s: %d", path, w.Code)
		}
		if hit := outside.FindString(w.Body.String()); hit != "" {
			t.Errorf("%s holds %q", path, hit)
		}
		if hit := words.FindString(w.Body.String()); hit != "" {
			t.Errorf("%s says %q", path, hit)
		}
		if n := ask(h, "GET", path, "", "Accept-Encoding", "gzip").Body.Len(); n > 60_000 {
			t.Errorf("%s has %d bytes on the wire", path, n)
		}
		for _, part := range []string{"style", "script"} {
			m := regexp.MustCompile(`(?s)<` + part + `>(.*?)</` + part + `>`).FindStringSubmatch(w.Body.String())
			if m != nil && !strings.Contains(w.Header().Get("Content-Security-Policy"), part+"-src '"+hash(m[1])+"'") {
				t.Errorf("%s: the policy does not allow its own %s", path, part)
			}
		}
	}
}

func TestEveryAnswerIsGuarded(t *testing.T) {
	h := serve(hatchery(), Options{Token: token})
	for _, path := range []string{"/", "/runs", "/runs/1", "/runs/9", "/api/v1/now", "/api/v1/nothing", "/api/v1/export"} {
		w := ask(h, "GET", path, "")
		if !strings.HasPrefix(w.Header().Get("Content-Security-Policy"), "default-src 'none'") || w.Header().Get("X-Content-Type-Options") != "nosniff" ||
			w.Header().Get("X-Frame-Options") != "DENY" || w.Header().Get("Referrer-Policy") != "same-origin" {
			t.Errorf("%s: headers %v", path, w.Header())
		}
	}
}

func TestReportKeepsItsStyleAndNothingElse(t *testing.T) {
	s := hatchery()
	s.report = "<html><style>p{}</style><script>alert(1)</script>"
	w := ask(serve(s, Options{}), "GET", "/runs/last/report", "")
	want := "default-src 'none'; style-src '" + hash("p{}") + "'; base-uri 'none'; frame-ancestors 'none'"
	if got := w.Header().Get("Content-Security-Policy"); got != want || w.Code != 200 {
		t.Errorf("%d, policy %s", w.Code, got)
	}
}

func TestStreamTellsOfEverySnapshot(t *testing.T) {
	s := hatchery()
	server := httptest.NewServer(New(partsOf(s), Options{}))
	defer server.Close()
	for view, want := range map[string][2]string{"": {"event: now", `"state":"loaded"`}, "page": {"event: page", "3.2"}} {
		answer, err := http.Get(server.URL + "/api/v1/stream?view=" + view)
		if err != nil {
			t.Fatal(err)
		}
		lines := bufio.NewScanner(answer.Body)
		lines.Buffer(nil, 1<<20)
		lines.Scan()
		name := lines.Text()
		lines.Scan()
		if name != want[0] || !strings.Contains(lines.Text(), want[1]) {
			t.Errorf("%q: %s %.300s", view, name, lines.Text())
		}
		changed := *s.snap
		changed.State = model.RunningDown
		s.next(&changed)
		lines.Scan()
		lines.Scan()
		lines.Scan()
		if !strings.Contains(lines.Text(), "running down") {
			t.Errorf("%q does not tell of the change: %.300s", view, lines.Text())
		}
		answer.Body.Close()
		changed.State = model.Loaded
		s.next(&changed)
	}
}

func TestTooManyStreamsAreRefused(t *testing.T) {
	f := &server{Parts: partsOf(hatchery())}
	w := httptest.NewRecorder()
	f.apiStream(w, httptest.NewRequest("GET", "/api/v1/stream", nil))
	if w.Code != http.StatusServiceUnavailable {
		t.Errorf("got %d", w.Code)
	}
}

func TestHostileWordsAreShownAsWords(t *testing.T) {
	s := hatchery().alarmed()
	s.setup.Rating.Name = `<script>alert("name")</script>`
	s.snap.Alarms[0].Rule.Label = `"><img src=x onerror=alert(1)>`
	body := ask(serve(s, Options{}), "GET", "/", "").Body.String()
	if strings.Contains(body, "<img") || strings.Contains(body, `<script>alert`) {
		t.Error("a name became markup")
	}
}

func TestBrokenSourceGivesNoDetailAway(t *testing.T) {
	s := hatchery()
	s.broken = errors.New("open /var/lib/secret: page 7")
	h := serve(s, Options{})
	for _, path := range []string{"/runs", "/runs/1", "/api/v1/runs", "/api/v1/runs/1/report", "/api/v1/events", "/api/v1/export"} {
		w := ask(h, "GET", path, "")
		if w.Code != http.StatusInternalServerError || strings.Contains(w.Body.String(), "secret") {
			t.Errorf("%s: %d %s", path, w.Code, w.Body)
		}
	}
}

// An alarm that another explains stands right after it, says so, and does not
// take the screen by itself.
func TestAnAlarmIsShownUnderTheOneThatExplainsIt(t *testing.T) {
	s := hatchery()
	snap := *s.snap
	status := func(id string, p model.Priority, under string) model.AlarmStatus {
		return model.AlarmStatus{Rule: model.AlarmRule{ID: id, Label: "label of " + id, Priority: p}, State: model.AlarmUnacknowledged, Under: under, Watching: true}
	}
	snap.Alarms = []model.AlarmStatus{status("other", model.Critical, ""), status("follower", model.Critical, "head"),
		status("head", model.Critical, ""), status("mild", model.Warning, "head")}
	s.snap = &snap
	v := view{View: "alarms"}
	v.warnings(readout{snap: &snap, now: now})
	var order []string
	for _, w := range v.Alarms {
		order = append(order, w.Rule+">"+w.Under)
	}
	if want := []string{"other>", "head>", "follower>label of head", "mild>label of head"}; !slices.Equal(order, want) {
		t.Errorf("the list is %q, want %q", order, want)
	}
	if v.More != 1 {
		t.Errorf("%d more critical alarms besides the first, want 1", v.More)
	}
}
