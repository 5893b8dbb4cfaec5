package page

import (
	"context"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
	"time"

	"tickover/model"
)

func (s *fakeRecord) Measure(_ context.Context, who string, m model.Measurement) (uint64, []model.Figure, error) {
	if err := m.Vet(time.Time{}); err != nil {
		return 0, nil, err
	}
	s.said = append(s.said, who+" measured "+m.Kind+" "+m.Points+" "+m.Quantity.ShowWithUnit(m.Value))
	return 9, []model.Figure{{Name: "at 40 °C", Value: 5.3, Unit: "MΩ", Known: true}}, s.broken
}

func (s *fakeRecord) Measured(context.Context) ([]model.HandRow, *model.DryOut, []model.Check, error) {
	return []model.HandRow{{Kind: model.InsulationKind, Points: "U-E", Quantity: model.Resistance, Before: &model.HandValue{Seq: 4, At: at(0), Value: 12e6},
		Figures: []model.Figure{{Name: "at 40 °C", Value: 5.3, Unit: "MΩ", Known: true}, model.NotKnown("polarisation index", "", "", "no reading after 10 min")}}}, nil, nil, s.broken
}

func (s *fakeRecord) Fact(_ context.Context, who string, f model.Fact) error {
	s.said = append(s.said, who+" says "+f.Name+": "+f.Text)
	return s.broken
}

func (s *fakeRecord) Facts(context.Context) ([]model.Fact, error) {
	return []model.Fact{{Name: "oil", Text: "15W-40"}}, s.broken
}

func (s *fakeRecord) Wiring(context.Context, model.Query) ([]model.Check, error) {
	return []model.Check{{Code: "C09", Title: "no single transformer is reversed", Outcome: model.Finding, Words: "the power of L1 is negative", Do: "turn it"}}, s.broken
}

func (s *fakeRecord) Walk(_ context.Context, _ model.Query, heater float64, keep bool) (model.Walk, error) {
	if heater == 0 {
		return model.Walk{Next: "switch the heater on at L1", Words: "0 of 3 outlets done"}, s.broken
	}
	if keep {
		s.said = append(s.said, "kept")
	}
	return model.Walk{Complete: true, Words: "all right", Drawing: "L1 --> U1\n"}, s.broken
}

func say(s *fakeRecord, method, path string, form url.Values) *httptest.ResponseRecorder {
	r := httptest.NewRequest(method, path, strings.NewReader(form.Encode()))
	if form != nil {
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	}
	w := httptest.NewRecorder()
	New(partsOf(s), Options{TrustLocal: true}).ServeHTTP(w, r)
	return w
}

func TestMeasurementForm(t *testing.T) {
	s := hatchery()
	good := url.Values{"who": {"Marta"}, "kind": {"insulation resistance"}, "points": {"U-E"}, "value": {"30 MΩ"}, "winding temperature": {"15 °C"}, "tick": model.TicksBefore500V}
	if w := say(s, http.MethodPost, "/api/v1/measurements", good); w.Code != http.StatusOK || !strings.Contains(w.Body.String(), `"kept":9`) {
		t.Fatalf("%d %s", w.Code, w.Body)
	}
	if len(s.said) != 1 || s.said[0] != "Marta measured insulation resistance U-E 30.00 MΩ" {
		t.Errorf("%q", s.said)
	}
	for field, value := range map[string]string{"winding temperature": "", "value": "30 V", "kind": "feeling", "taken": "soon", "stage": "later", "corrects": "x", "points": ""} {
		bad := url.Values{}
		for k, v := range good {
			bad[k] = v
		}
		bad.Set(field, value)
		if w := say(s, http.MethodPost, "/api/v1/measurements", bad); w.Code != http.StatusBadRequest || !strings.Contains(w.Body.String(), "not taken") {
			t.Errorf("%s=%q: %d %s", field, value, w.Code, w.Body)
		}
	}
}

func TestMeasurePagesShow(t *testing.T) {
	s := hatchery()
	for path, wants := range map[string][]string{
		"/measure":                              {"Before applying 500 V", "winding temperature", "12.00 MΩ (entry 4)", "at 40 °C: 5.3 MΩ", "polarisation index: not determined", "15W-40"},
		"/measure?kind=residual-current+device": {"test current", "outlet 1"},
		"/wiring":                               {"C09", "0 of 3 outlets done", "One-heater walk"},
		"/wiring?heater=2+kW":                   {"all right", "Save for the report"},
		"/api/v1/wiring":                        {`"outcome":"finding"`},
	} {
		w := say(s, http.MethodGet, path, nil)
		for _, want := range wants {
			if w.Code != http.StatusOK || !strings.Contains(w.Body.String(), want) {
				t.Errorf("%s: %d lacks %q", path, w.Code, want)
			}
		}
	}
	if w := say(s, http.MethodPost, "/api/v1/wiring/walk", url.Values{}); w.Code != http.StatusConflict {
		t.Errorf("an incomplete walk is kept: %d", w.Code)
	}
	say(s, http.MethodPost, "/api/v1/wiring/walk", url.Values{"heater": {"2 kW"}})
	say(s, http.MethodPost, "/api/v1/facts", url.Values{"who": {"Bo"}, "name": {"oil"}, "text": {"10W-30"}})
	if got := strings.Join(s.said, "; "); got != "kept; Bo says oil: 10W-30" {
		t.Errorf("%q", got)
	}
}

func TestMeasuringNeedsTheToken(t *testing.T) {
	h := New(partsOf(hatchery()), Options{Token: "secret"})
	for _, path := range []string{"/api/v1/measurements", "/api/v1/facts", "/api/v1/wiring/walk"} {
		w := httptest.NewRecorder()
		h.ServeHTTP(w, httptest.NewRequest(http.MethodPost, path, nil))
		if w.Code != http.StatusUnauthorized {
			t.Errorf("%s without token: %d", path, w.Code)
		}
	}
}
