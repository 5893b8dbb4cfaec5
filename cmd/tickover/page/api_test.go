package page

import (
	"errors"
	"fmt"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"tickover/cmd/tickover/api"
	"tickover/model"
)

func TestRunsAreAnArrayWithTimes(t *testing.T) {
	runs := decode[[]map[string]any](t, ask(serve(hatchery(), Options{}), "GET", "/api/v1/runs", ""))
	if len(runs) != 2 || runs[0]["id"] != "1" || runs[0]["started"] != "2025-11-08T18:01:00Z" || runs[0]["ended"] != "2025-11-08T18:20:00Z" ||
		runs[0]["running_seconds"] != 900.0 || runs[0]["cranks"] != 3.0 || runs[1]["ended"] != nil || runs[1]["open"] != true {
		t.Errorf("got %v", runs)
	}
	s := hatchery()
	s.list = nil
	if body := ask(serve(s, Options{}), "GET", "/api/v1/runs", "").Body.String(); body != "[]\n" {
		t.Errorf("no runs give %q", body)
	}
	s.list, s.snap = hatchery().list, nil
	if runs := decode[[]map[string]any](t, ask(serve(s, Options{}), "GET", "/api/v1/runs", "")); runs[0]["started"] != nil || runs[0]["from"] != "3+1m0s" {
		t.Errorf("without a clock: %v", runs[0])
	}
}

func TestRunsArePaged(t *testing.T) {
	h := serve(hatchery(), Options{})
	var ids []string
	for target := "/api/v1/runs?limit=1"; target != ""; {
		w := ask(h, "GET", target, "")
		for _, run := range decode[[]api.Run](t, w) {
			ids = append(ids, run.ID)
		}
		target, _, _ = strings.Cut(strings.TrimPrefix(w.Header().Get("Link"), "<"), ">")
	}
	if strings.Join(ids, " ") != "1 2" {
		t.Errorf("page after page gives %q", ids)
	}
	for _, bad := range []string{"limit=0", "limit=1001", "limit=x", "after=9", "after=%00"} {
		if w := ask(h, "GET", "/api/v1/runs?"+bad, ""); w.Code != 400 {
			t.Errorf("%s: %d", bad, w.Code)
		}
	}
}

func TestRunsPageListsTheNewestFirst(t *testing.T) {
	body := ask(serve(hatchery(), Options{}), "GET", "/runs", "").Body.String()
	if first, second := strings.Index(body, `href="/runs/2"`), strings.Index(body, `href="/runs/1"`); first < 0 || second < first {
		t.Errorf("run 2 at %d, run 1 at %d", first, second)
	}
}

func TestReportsByRunAndFormat(t *testing.T) {
	h := serve(hatchery(), Options{})
	for path, want := range map[string]struct {
		code int
		text string
	}{
		"/api/v1/runs/1/report":                                 {200, "report of 1 as json"},
		"/api/v1/runs/last/report?format=text":                  {200, "report of 2 as text"},
		"/api/v1/runs/2/report?format=html":                     {200, "report of 2 as html"},
		"/api/v1/runs/2/report?format=pdf":                      {400, "html, json or text"},
		"/api/v1/runs/7/report":                                 {404, `no run \"7\"`},
		"/runs/7":                                               {404, `no run \"7\"`},
		"/runs/..%2f..%2fetc%2fpasswd":                          {404, "no run"},
		"/api/v1/runs/%2e%2e%2fstore/report":                    {404, "no run"},
		"/api/v1/runs/1%00/report":                              {404, "no run"},
		"/api/v1/runs/" + strings.Repeat("9", 4000) + "/report": {404, "no run"},
		"/api/v2/now":                                           {404, "no such address"},
		"/api/v1/":                                              {404, "no such address"},
	} {
		if w := ask(h, "GET", path, ""); w.Code != want.code || !strings.Contains(w.Body.String(), want.text) {
			t.Errorf("%.60s: %d %.200s", path, w.Code, w.Body)
		}
	}
	if w := ask(h, "GET", "/runs/../../etc/passwd", ""); w.Code == 200 {
		t.Errorf("a path outside is answered: %s", w.Body)
	}
	if e := decode[map[string]string](t, ask(h, "GET", "/runs/7", "")); e["error"] == "" || e["hint"] == "" {
		t.Errorf("an unknown run gives %v", e)
	}
}

func TestEventsArePaged(t *testing.T) {
	h := serve(hatchery(), Options{})
	type page struct {
		Events []api.Event
		Next   *uint64
	}
	p := decode[page](t, ask(h, "GET", "/api/v1/events?limit=3", ""))
	if len(p.Events) != 3 || p.Next == nil || *p.Next != 3 || p.Events[1].To != "cranking" || p.Events[2].Priority != "critical" {
		t.Fatalf("first page %+v", p)
	}
	p = decode[page](t, ask(h, "GET", "/api/v1/events?limit=3&after=3", ""))
	if len(p.Events) != 1 || p.Next != nil || *p.Events[0].Value != 12e6 {
		t.Errorf("second page %+v", p)
	}
	if p = decode[page](t, ask(h, "GET", "/api/v1/events?run=2", "")); len(p.Events) != 1 {
		t.Errorf("events of run 2: %+v", p)
	}
	w := ask(h, "GET", "/api/v1/events?limit=1&kind=note,measurement", "")
	if p = decode[page](t, w); len(p.Events) != 1 || p.Events[0].Kind != "note" || w.Header().Get("Link") != `</api/v1/events?after=1&kind=note%2Cmeasurement&limit=1>; rel="next"` {
		t.Errorf("notes and measurements: %+v, %q", p, w.Header().Get("Link"))
	}
	if p = decode[page](t, ask(h, "GET", "/api/v1/events?after=1&kind=note,measurement&limit=1", "")); len(p.Events) != 1 || p.Events[0].Kind != "measurement" || p.Next != nil {
		t.Errorf("the last measurement: %+v", p)
	}
	for _, bad := range []string{"limit=0", "limit=1001", "limit=x", "after=-1", "from=yesterday", "run=9", "kind=gossip"} {
		if w := ask(h, "GET", "/api/v1/events?"+bad, ""); w.Code != 400 && w.Code != 404 {
			t.Errorf("%s: %d", bad, w.Code)
		}
	}
}

func TestAlarmsTellStateInWords(t *testing.T) {
	a := decode[[]api.Alarm](t, ask(serve(hatchery().alarmed(), Options{}), "GET", "/api/v1/alarms", ""))
	if len(a) != 2 || a[0].State != "unacknowledged" || a[0].Letter != "B" || !a[0].Awaits || *a[0].Value != 62000 || a[1].Awaits {
		t.Errorf("got %+v", a)
	}
}

func TestExportAsksForWhatWasMeant(t *testing.T) {
	s := hatchery()
	h := serve(s, Options{})
	for query, want := range map[string]model.Query{
		"":       {},
		"lags=1": {},
		"format=csv&points=frequency,oil.pressure": {Points: []model.PointID{"frequency", "oil.pressure"}},
		"from=3%2B1m0s&to=3%2B2m":                  {From: at(time.Minute), To: at(2 * time.Minute)},
		"from=3+1m0s":                              {From: at(time.Minute)},
		"from=2025-11-08T18:10:00Z":                {From: at(10 * time.Minute), To: model.Instant{Boot: 4}},
		"from=2025-11-08+18:10:00+UTC":             {From: at(10 * time.Minute), To: model.Instant{Boot: 4}},
		"from=2025-11-08+18:10":                    {From: at(10 * time.Minute), To: model.Instant{Boot: 4}},
		"from=2025-11-08T19:10:00%2B01:00":         {From: at(10 * time.Minute), To: model.Instant{Boot: 4}},
		"run=1":                                    {From: at(time.Minute), To: at(20 * time.Minute)},
		"run=last&to=3%2B40m":                      {From: at(30 * time.Minute), To: at(40 * time.Minute)},
	} {
		w := ask(h, "GET", "/api/v1/export?"+query, "")
		if w.Code != 200 || w.Header().Get("Content-Type") != "text/csv; charset=utf-8" {
			t.Errorf("%s: %d %s", query, w.Code, w.Body)
		}
		if s.asked.From != want.From || s.asked.To != want.To || len(s.asked.Points) != len(want.Points) {
			t.Errorf("%s asks for %+v", query, s.asked)
		}
	}
	for query, code := range map[string]int{"format=xls": 400, "lags=2": 400, "lags=1&every=1m": 400, "lags=1&format=openmetrics": 400, "run=7": 404, "points=speed.of.light": 400, "from=3%2Bx": 400, "from=0%2B1s": 400, "to=2025-13-01T00:00:00Z": 400} {
		if w := ask(h, "GET", "/api/v1/export?"+query, ""); w.Code != code {
			t.Errorf("%s: %d %s", query, w.Code, w.Body)
		}
	}
	s.snap.Clock = model.Clock{}
	if w := ask(h, "GET", "/api/v1/export?from=2025-11-08T18:10:00Z", ""); w.Code != 400 || !strings.Contains(w.Body.String(), "time of day is not known") {
		t.Errorf("without a clock: %d %s", w.Code, w.Body)
	}
}

func TestWritingNeedsTheToken(t *testing.T) {
	const target = "/api/v1/alarms/oil.pressure.low/acknowledge"
	form := url.Values{"who": {"Marta"}, "why": {"gauge reads 3 bar"}}.Encode()
	for name, c := range map[string]struct {
		opts   Options
		body   string
		header []string
		code   int
	}{
		"no token set":    {Options{}, form, nil, 403},
		"no token sent":   {Options{Token: token}, form, nil, 401},
		"wrong token":     {Options{Token: token}, form, []string{"Authorization", "Bearer " + token + "x"}, 401},
		"empty bearer":    {Options{Token: token}, form, []string{"Authorization", "Bearer "}, 401},
		"right bearer":    {Options{Token: token}, form, []string{"Authorization", "Bearer " + token}, 200},
		"right form":      {Options{Token: token}, form + "&token=" + url.QueryEscape(token), nil, 200},
		"right JSON":      {Options{Token: token}, `{"who":"Marta","why":"gauge reads 3 bar","token":"` + token + `"}`, []string{"Content-Type", "application/json"}, 200},
		"broken JSON":     {Options{Token: token}, `{"who":`, []string{"Content-Type", "application/json"}, 400},
		"local socket":    {Options{TrustLocal: true}, form, nil, 200},
		"browser":         {Options{TrustLocal: true}, form, []string{"Accept", "text/html"}, 303},
		"huge body":       {Options{TrustLocal: true}, "why=" + strings.Repeat("x", 1<<20), nil, 413},
		"long name":       {Options{TrustLocal: true}, "who=" + strings.Repeat("x", 81), nil, 400},
		"no text at all":  {Options{TrustLocal: true}, "who=%ff%fe", nil, 400},
		"token in query?": {Options{Token: token}, form, []string{"X-Query", "1"}, 401},
	} {
		s := hatchery()
		path := target
		if len(c.header) > 0 && c.header[0] == "X-Query" {
			path += "?token=" + url.QueryEscape(token)
		}
		w := ask(serve(s, c.opts), "POST", path, c.body, c.header...)
		if w.Code != c.code {
			t.Errorf("%s: %d %s", name, w.Code, w.Body)
		}
		if written := len(s.said) == 1 && s.said[0] == "acknowledge oil.pressure.low by Marta: gauge reads 3 bar"; written != (c.code < 400) {
			t.Errorf("%s: said %q", name, s.said)
		}
	}
}

func TestAcknowledgingAndNoting(t *testing.T) {
	s := hatchery()
	h := serve(s, Options{TrustLocal: true})
	if w := ask(h, "POST", "/api/v1/alarms/no.such.rule/acknowledge", "who=a"); w.Code != 404 {
		t.Errorf("unknown rule: %d", w.Code)
	}
	if w := ask(h, "GET", "/api/v1/alarms/oil.pressure.low/acknowledge", ""); w.Code != 405 || len(s.said) != 0 {
		t.Errorf("a GET wrote: %d %v", w.Code, s.said)
	}
	if w := ask(h, "POST", "/api/v1/notes", "who=Marta&text=fuel+bled%00%1b[2J%0aagain"); w.Code != 200 || s.said[0] != "note by Marta: fuel bled[2J\nagain" {
		t.Errorf("note: %d %q", w.Code, s.said)
	}
	if w := ask(h, "POST", "/api/v1/notes", "who=Marta&text=+"); w.Code != 400 {
		t.Errorf("empty note: %d", w.Code)
	}
	s.broken = errors.New("it is normal")
	if w := ask(h, "POST", "/api/v1/alarms/oil.pressure.low/acknowledge", "who=a"); w.Code != http.StatusConflict {
		t.Errorf("refused acknowledgement: %d", w.Code)
	}
	if w := ask(h, "POST", "/api/v1/notes", "text=x"); w.Code != 500 {
		t.Errorf("note not kept: %d", w.Code)
	}
}

// Everything a person may do to an alarm has its own address and needs the
// token like the rest.
func TestActsOnAlarms(t *testing.T) {
	s := hatchery()
	h := serve(s, Options{Token: token})
	post := func(act, body string) int {
		return ask(h, "POST", "/api/v1/alarms/oil.pressure.low/"+act, body, "Authorization", "Bearer "+token).Code
	}
	for _, act := range []string{"acknowledge", "reset", "shelve", "unshelve", "out-of-service", "in-service"} {
		if code := post(act, "who=Marta&why=sender+out&for=30m"); code != 200 || s.said[len(s.said)-1] != act+" oil.pressure.low by Marta: sender out" {
			t.Errorf("%s: %d, said %q", act, code, s.said)
		}
		if w := ask(h, "POST", "/api/v1/alarms/oil.pressure.low/"+act, "who=Marta"); w.Code != 401 {
			t.Errorf("%s without the token: %d", act, w.Code)
		}
	}
	if code := post("shelve", "who=Marta&why=x&for=half+an+hour"); code != 400 {
		t.Errorf("a length of time in words: %d", code)
	}
	if code := post("silence", "who=Marta"); code != 404 {
		t.Errorf("an act that is none: %d", code)
	}
}

// The right token is accepted whatever was tried before from its address;
// what is wrong is counted by address.
func TestTheRightTokenIsNeverRefusedForWrongOnes(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := serve(hatchery(), Options{Token: token})
		try := func(address, word string) int {
			r := httptest.NewRequest("POST", "/api/v1/notes", strings.NewReader("text=x"))
			r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
			r.Header.Set("Authorization", "Bearer "+word)
			r.RemoteAddr = address + ":4711"
			w := httptest.NewRecorder()
			h.ServeHTTP(w, r)
			return w.Code
		}
		for n := range mostGuesses + 50 {
			want := http.StatusUnauthorized
			if n >= mostGuesses {
				want = http.StatusTooManyRequests
			}
			if got := try("192.0.2.1", "guess"); got != want {
				t.Fatalf("wrong token %d gives %d, want %d", n+1, got, want)
			}
			if got := try("192.0.2.1", token); got != 200 {
				t.Fatalf("the right token after %d wrong ones: %d", n+1, got)
			}
		}
		if got := try("192.0.2.2", "guess"); got != 401 {
			t.Errorf("the first wrong token of another address: %d", got)
		}
		time.Sleep(time.Minute)
		if got := try("192.0.2.1", "guess"); got != 401 {
			t.Errorf("a wrong token a minute later: %d", got)
		}
	})
}

// 1,010 strangers who guess change nothing for others, and take no memory
// without a bound.
func TestAThousandGuessersRefuseNoOneElse(t *testing.T) {
	var g guesses
	now := time.Now()
	for n := range 1010 {
		for range mostGuesses + 1 {
			g.wrong(fmt.Sprint("stranger ", n), now)
		}
	}
	if g.wrong("marta", now) {
		t.Error("the first wrong token of an address is one too many")
	}
	if n := len(g.count); n > mostAddresses {
		t.Errorf("%d addresses are remembered", n)
	}
}

// A neighbour changes its IPv6 address as it likes within its network.
func TestAnIPv6NetworkIsOneAddress(t *testing.T) {
	for address, want := range map[string]string{
		"[2001:db8:1:2:3:4:5:6]:80": "2001:db8:1:2::/64", "[2001:db8:1:2::9]:81": "2001:db8:1:2::/64",
		"192.0.2.7:80": "192.0.2.7", "[::ffff:192.0.2.7]:80": "192.0.2.7", "@": "@", "": "",
	} {
		if got := addressOf(address); got != want {
			t.Errorf("%s counts as %s, want %s", address, got, want)
		}
	}
}
