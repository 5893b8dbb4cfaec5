package page

import (
	"context"
	"encoding/json"
	"net/url"
	"strings"
	"testing"
	"time"

	"tickover/cmd/tickover/api"
	"tickover/model"
)

// fakeOutlets is a daemon's outlets of which only the check-in timer is looked at.
type fakeOutlets struct {
	asked  model.CheckIn
	stands *model.Presence
	said   []string
}

func (*fakeOutlets) Health() []model.OutletHealth                     { return nil }
func (*fakeOutlets) Test(context.Context, string) []model.OutletTrial { return nil }
func (y *fakeOutlets) CheckIn() model.CheckIn                         { return y.asked }
func (y *fakeOutlets) EndSigns(who string) error                      { y.said = append(y.said, "end by "+who); return nil }

func (y *fakeOutlets) Presence() (model.Presence, bool) {
	if y.stands == nil {
		return model.Presence{}, false
	}
	return *y.stands, true
}

func (y *fakeOutlets) Sign(who string, every time.Duration) (model.Presence, error) {
	y.said = append(y.said, "sign by "+who+" every "+every.String())
	return model.Presence{Every: every}, nil
}

// gave is a timer of a quarter of an hour whose last sign is so old.
func gave(ago time.Duration, missed int) *model.Presence {
	return &model.Presence{Who: "Marta", Every: 15 * time.Minute, Signed: now.Add(-ago), Missed: missed}
}

func TestSignsOfSomebodyAloneAreAskedForWhenDue(t *testing.T) {
	configured := model.CheckIn{Every: 15 * time.Minute}
	for _, c := range []struct {
		what         string
		fakeOutlets  fakeOutlets
		there, strip string // on the page of the alarms; on every page; "" means nothing of it
	}{
		{"nothing asked for", fakeOutlets{}, "", ""},
		{"configured", fakeOutlets{asked: configured}, "The first check-in starts it", ""},
		{"started by command", fakeOutlets{stands: gave(time.Minute, 0)}, "Marta checks in every 15 min. Last check-in 60 s ago.", ""},
		{"not yet due", fakeOutlets{asked: configured, stands: gave(11*time.Minute, 0)}, "Next check-in due within 4 min", ""},
		{"due", fakeOutlets{asked: configured, stands: gave(14*time.Minute, 0)}, "Check in within 60 s", "Check in within 60 s"},
		{"due, and with a recipient", fakeOutlets{asked: model.CheckIn{To: []string{"pager"}}, stands: gave(14*time.Minute, 0)}, "Check in within 60 s", "Check in within 60 s"},
		{"missed", fakeOutlets{asked: configured, stands: gave(16*time.Minute, 1)}, "Check-in missed: check in now", "Check-in missed: check in now"},
	} {
		h := serveWith(hatchery(), &c.fakeOutlets)
		alarms, live := ask(h, "GET", "/alarms", "").Body.String(), ask(h, "GET", "/", "").Body.String()
		if has := strings.Contains(alarms, `id="alone"`); has != (c.there != "") || !strings.Contains(alarms, c.there) || has != strings.Contains(alarms, "I am OK") {
			t.Errorf("%s: the page of the alarms lacks %q, or shows what it should not", c.what, c.there)
		}
		if nobody := c.fakeOutlets.stands != nil && len(c.fakeOutlets.asked.To) == 0; strings.Contains(alarms, "No one will be notified of a missed check-in") != nobody {
			t.Errorf("%s: that nobody is told stands there although somebody is, or does not", c.what)
		}
		strip := ""
		if _, after, found := strings.Cut(live, `<a href="/alarms#alone">◆ `); found {
			strip, _, _ = strings.Cut(after, "</a>")
		}
		if strip != c.strip {
			t.Errorf("%s: the page of now says %q, want %q", c.what, strip, c.strip)
		}
	}
}

func TestASignIsGivenByThePage(t *testing.T) {
	y := &fakeOutlets{stands: gave(14*time.Minute, 0)}
	h := serveWith(hatchery(), y)
	form := url.Values{"who": {"Marta"}, "every": {"30m"}, "back": {"/alarms#alone"}}
	if w := ask(h, "POST", "/api/v1/check-in", form.Encode()); w.Code != 401 {
		t.Errorf("without a token: %d", w.Code)
	}
	form.Set("token", token)
	w := ask(h, "POST", "/api/v1/check-in", form.Encode(), "Accept", "text/html")
	if w.Code != 303 || w.Header().Get("Location") != "/alarms#alone" {
		t.Errorf("a form is answered with %d, %q", w.Code, w.Header().Get("Location"))
	}
	form.Set("end", "yes")
	ask(h, "POST", "/api/v1/check-in", form.Encode(), "Accept", "text/html")
	if got := strings.Join(y.said, "; "); got != "sign by Marta every 30m0s; end by Marta" {
		t.Error(got)
	}
	var p api.CheckIn
	if err := json.Unmarshal(ask(h, "GET", "/api/v1/check-in", "").Body.Bytes(), &p); err != nil || p.Left != 60 || p.Since != 840 {
		t.Errorf("%v: %+v", err, p)
	}
}

func TestAlarmsTellWhatTheyDoThatTheyShouldNot(t *testing.T) {
	s := hatchery().alarmed()
	s.snap.Alarms[0].Unwatched = 42 * time.Minute
	s.snap.Alarms[0].Chatters, s.snap.Alarms[0].Stale = 4, 25*time.Hour
	s.snap.Alarms[1] = model.AlarmStatus{Rule: batteryLow, Why: "no answer", Unwatched: 90 * time.Second}
	body := ask(serve(s, Options{}), "GET", "/alarms", "").Body.String()
	for _, want := range []string{"Not monitored for 42 min in total.", "no answer; 90 s in total", "<td>42 min</td>",
		"Chattering: 4 changes in a minute.", "Stale: active for 25 h 00."} {
		if !strings.Contains(body, want) {
			t.Errorf("the page does not hold %q", want)
		}
	}
}
