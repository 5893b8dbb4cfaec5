package page

import (
	"context"
	_ "embed"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"tickover/cmd/tickover/api"
	"tickover/model"
)

// measurementKeeper keeps measurements by hand and the machine card.
type measurementKeeper interface {
	// Measure keeps a measurement and judges it. The error of one that is
	// refused is a *model.Refusal.
	Measure(ctx context.Context, who string, m model.Measurement) (seq uint64, figures []model.Figure, err error)
	// Measured lists all measurements, the dry-out (nil when there is none),
	// and the panel's gauges compared with the sensors.
	Measured(context.Context) (rows []model.HandRow, dry *model.DryOut, gauges []model.Check, err error)
	// Fact keeps a fact of the machine card; Facts lists those in force.
	Fact(ctx context.Context, who string, fact model.Fact) error
	Facts(context.Context) ([]model.Fact, error)
}

func (srv *server) measurementRoutes(mux *http.ServeMux) {
	mux.HandleFunc("GET /measure", srv.measurePage)
	mux.HandleFunc("GET /api/v1/measurements", srv.apiMeasured)
	mux.HandleFunc("POST /api/v1/measurements", srv.writing(largestBody, srv.measure))
	mux.HandleFunc("GET /api/v1/facts", srv.apiFacts)
	mux.HandleFunc("POST /api/v1/facts", srv.writing(largestBody, srv.fact))
	mux.HandleFunc("GET /wiring", srv.wiringPage)
	mux.HandleFunc("GET /api/v1/wiring", srv.apiWiring)
	mux.HandleFunc("GET /api/v1/wiring/walk", srv.apiWalk)
	mux.HandleFunc("POST /api/v1/wiring/walk", srv.writing(largestBody, srv.keepWalk))
}

// measure keeps one measurement.
func (srv *server) measure(w http.ResponseWriter, r *http.Request) {
	m, who, err := measurementOf(r)
	if err != nil {
		srv.fail(w, r, asked(err))
		return
	}
	seq, figures, err := srv.Measurements.Measure(r.Context(), who, m)
	if err != nil {
		srv.fail(w, r, asked(err))
		return
	}
	if strings.Contains(r.Header.Get("Accept"), "text/html") {
		http.Redirect(w, r, "/measure?kind="+strings.ReplaceAll(m.Kind, " ", "+"), http.StatusSeeOther)
		return
	}
	send(w, api.Kept{Kept: seq, Figures: wireFigures(figures)})
}

// asked turns a refusal into an answer with its hint.
func asked(err error) error {
	var refusal *model.Refusal
	var unit *model.UnitError
	switch {
	case errors.As(err, &refusal):
		return &badQuestion{http.StatusBadRequest, "not taken: " + refusal.Reason, refusal.Hint}
	case errors.As(err, &unit):
		return &badQuestion{http.StatusBadRequest, "not taken: " + unit.Error(), unit.Hint}
	}
	return err
}

// measurementOf reads a form: kind, points, value, and what the kind wants
// beside them under its own names, each with its unit.
func measurementOf(r *http.Request) (m model.Measurement, who string, err error) {
	fields := map[string]string{}
	for _, name := range []string{"who", "kind", "points", "value", "instrument", "note", "stage", "taken", "corrects", "ticks", "unticked"} {
		if fields[name], err = text(r, name, 1000); err != nil {
			return m, "", err
		}
	}
	m = model.Measurement{Kind: fields["kind"], Points: fields["points"], Instrument: fields["instrument"], Note: fields["note"], Stage: fields["stage"],
		Conditions: map[string]float64{}}
	kind, ok := model.MeasurementKindNamed(m.Kind)
	if !ok {
		return m, "", m.Vet(time.Time{})
	}
	m.Quantity = kind.Quantity
	if m.Quantity == model.NoQuantity {
		m.Quantity, _ = model.KnownQuantity(model.PointID(m.Points))
	}
	if m.Value, err = written(fields["value"], m.Quantity); err != nil {
		return m, "", err
	}
	for _, c := range kind.Conditions {
		if in := strings.TrimSpace(r.PostForm.Get(c.Name)); in != "" && c.Name != model.SensorReading {
			if m.Conditions[c.Name], err = model.ParseValue(in, c.Quantity); err != nil {
				return m, "", err
			}
		}
	}
	m.Ticks = ticksOf(r, fields)
	if m.Stage != "" && m.Stage != "before" && m.Stage != "during" && m.Stage != "after" {
		return m, "", &model.Refusal{Reason: fmt.Sprintf("there is no stage %q", m.Stage), Hint: "before, during or after"}
	}
	if fields["corrects"] != "" {
		if m.Corrects, err = strconv.ParseUint(fields["corrects"], 10, 64); err != nil {
			return m, "", &model.Refusal{Reason: "the entry to correct is no number", Hint: "tickover measure list shows them"}
		}
	}
	m.Taken, err = takenOf(fields["taken"])
	return m, fields["who"], err
}

// written reads a value with its unit, or yes and no.
func written(in string, q model.Quantity) (float64, error) {
	switch {
	case q == model.State && (in == "yes" || in == "no"):
		if in == "yes" {
			return 1, nil
		}
		return 0, nil
	case q == model.NoQuantity:
		return 0, &model.Refusal{Reason: "the point is not known, so its unit is not", Hint: "name a well-known point such as oil.pressure"}
	}
	return model.ParseValue(in, q)
}

func ticksOf(r *http.Request, fields map[string]string) []string {
	var ticks []string
	for _, t := range append(strings.Split(fields["ticks"], "\n"), r.PostForm["tick"]...) {
		if t = strings.TrimSpace(t); t != "" && !slices.Contains(ticks, t) {
			ticks = append(ticks, t)
		}
	}
	if reason := fields["unticked"]; reason != "" {
		ticks = append(ticks, model.NotTicked+reason)
	}
	return ticks
}

func takenOf(in string) (time.Time, error) {
	if in == "" {
		return time.Time{}, nil
	}
	for _, layout := range []string{time.RFC3339, "2006-01-02 15:04", "2006-01-02T15:04"} {
		if t, err := time.ParseInLocation(layout, in, time.Local); err == nil {
			return t.UTC(), nil
		}
	}
	return time.Time{}, &model.Refusal{Reason: fmt.Sprintf("%q is no time", in), Hint: "write 2026-03-01 14:30"}
}

func wireFigures(figures []model.Figure) []api.Figure {
	out := []api.Figure{}
	for _, f := range figures {
		x := api.Figure{Name: f.Name, Unit: f.Unit, Limit: f.Limit, Source: f.LimitSource,
			Verdict: f.Verdict.String(), Reason: f.Reason, Note: f.Note}
		if f.Known {
			x.Value = number(f.Value)
		}
		out = append(out, x)
	}
	return out
}

func wireValue(v *model.HandValue, q model.Quantity, clock model.Clock) *api.HandValue {
	if v == nil {
		return nil
	}
	at := wall(clock, v.At)
	if !v.Taken.IsZero() {
		at = &v.Taken
	}
	return &api.HandValue{Seq: v.Seq, At: at, Value: number(v.Value), Shown: q.ShowWithUnit(v.Value), Who: v.Who, Instrument: v.Instrument, Note: v.Note}
}

func (srv *server) apiMeasured(w http.ResponseWriter, r *http.Request) {
	rows, dry, gauges, err := srv.Measurements.Measured(r.Context())
	if err != nil {
		srv.fail(w, r, err)
		return
	}
	out := api.Measured{Measurements: wireRows(rows, srv.clock()), Gauges: wireChecks(gauges)}
	if dry != nil {
		out.DryOut = &api.DryOut{Points: dry.Points, Plateau: dry.Plateau, Words: dry.Words,
			Readings: dryReadings(dry), Figures: wireFigures(dry.Figures)}
	}
	send(w, out)
}

func wireRows(rows []model.HandRow, clock model.Clock) []api.HandRow {
	out := []api.HandRow{}
	for _, r := range rows {
		out = append(out, api.HandRow{Kind: r.Kind, Points: r.Points, Unit: r.Quantity.Unit(),
			Before: wireValue(r.Before, r.Quantity, clock), After: wireValue(r.After, r.Quantity, clock),
			Figures: wireFigures(r.Figures)})
	}
	return out
}

func dryReadings(d *model.DryOut) []api.DryReading {
	var out []api.DryReading
	for _, r := range d.Rows {
		out = append(out, api.DryReading{Hours: number(r.Hours), Resistance: number(r.Resistance),
			Temperature: number(r.Temperature), Corrected: number(r.Corrected)})
	}
	return out
}

func (srv *server) apiFacts(w http.ResponseWriter, r *http.Request) {
	facts, err := srv.Measurements.Facts(r.Context())
	if err != nil {
		srv.fail(w, r, err)
		return
	}
	out := []map[string]string{}
	for _, one := range facts {
		out = append(out, map[string]string{"name": one.Name, "text": one.Text})
	}
	send(w, out)
}

func (srv *server) fact(w http.ResponseWriter, r *http.Request) {
	who, name, err := words(r, "name", 80)
	var said string
	if err == nil {
		said, err = text(r, "text", 500)
	}
	if err == nil && (name == "" || said == "") {
		err = &badQuestion{http.StatusBadRequest, "the fact has no name or no text", "send the fields \"name\" and \"text\""}
	}
	if err == nil {
		err = srv.Measurements.Fact(r.Context(), who, model.Fact{Name: name, Text: said})
	}
	if err != nil {
		srv.fail(w, r, err)
		return
	}
	done(w, r, map[string]string{"kept": name})
}

//go:embed measure.html
var measureSource string

var measureTemplate = paged(measureSource)

type measureView struct {
	view
	Kinds      []string
	Kind       model.MeasurementKind
	Unit       string
	Rows       []api.HandRow
	Dry        *model.DryOut
	Facts      []model.Fact
	TickBefore []string
	TickAfter  []string
	Gauges     []api.Check
}

// measurePage shows the form of one kind and what was measured so far.
func (srv *server) measurePage(w http.ResponseWriter, r *http.Request) {
	v := measureView{view: srv.frame("measure", "Measure", look(r)), TickBefore: model.TicksBefore500V, TickAfter: model.TicksAfter500V}
	v.Kind = model.MeasurementKinds()[0]
	for _, k := range model.MeasurementKinds() {
		v.Kinds = append(v.Kinds, k.Name)
		if k.Name == r.URL.Query().Get("kind") {
			v.Kind = k
		}
	}
	v.Unit = strings.Join(v.Kind.Quantity.Units(), ", ")
	rows, dry, gauges, err := srv.Measurements.Measured(r.Context())
	if err == nil {
		v.Facts, err = srv.Measurements.Facts(r.Context())
	}
	if err != nil {
		srv.fail(w, r, err)
		return
	}
	v.Dry, v.Gauges = dry, wireChecks(gauges)
	v.Rows = wireRows(rows, srv.clock())
	srv.show(w, r, measureTemplate, v)
}
