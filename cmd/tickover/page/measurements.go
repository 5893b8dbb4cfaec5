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
	send(w, map[string]any{"kept": seq, "figures": wireFigures(figures)})
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

type wireFigure struct {
	Name    string   `json:"name"`
	Value   *float64 `json:"value"`
	Unit    string   `json:"unit"`
	Limit   string   `json:"limit,omitempty"`
	Source  string   `json:"limit_source,omitempty"`
	Verdict string   `json:"verdict"`
	Reason  string   `json:"reason,omitempty"`
	Note    string   `json:"note,omitempty"`
	Shown   string   `json:"-"` // the value as the page shows it
}

func wireFigures(figures []model.Figure) []wireFigure {
	out := []wireFigure{}
	for _, f := range figures {
		x := wireFigure{f.Name, nil, f.Unit, f.Limit, f.LimitSource, f.Verdict.String(), f.Reason, f.Note, "not determined"}
		if f.Known {
			x.Value, x.Shown = number(f.Value), fmt.Sprintf("%.4g %s", f.Value, f.Unit)
		}
		out = append(out, x)
	}
	return out
}

type wireHandValue struct {
	Seq        uint64     `json:"seq"`
	At         *time.Time `json:"at"`
	Value      *float64   `json:"value"`
	Shown      string     `json:"shown"`
	Who        string     `json:"who,omitempty"`
	Instrument string     `json:"instrument,omitempty"`
	Note       string     `json:"note,omitempty"`
}

type wireHandRow struct {
	Kind    string         `json:"kind"`
	Points  string         `json:"points"`
	Unit    string         `json:"unit"`
	Before  *wireHandValue `json:"before"`
	After   *wireHandValue `json:"after"`
	Figures []wireFigure   `json:"figures"`
}

func wireValue(v *model.HandValue, q model.Quantity, clock model.Clock) *wireHandValue {
	if v == nil {
		return nil
	}
	at := wall(clock, v.At)
	if !v.Taken.IsZero() {
		at = &v.Taken
	}
	return &wireHandValue{v.Seq, at, number(v.Value), q.ShowWithUnit(v.Value), v.Who, v.Instrument, v.Note}
}

func (srv *server) apiMeasured(w http.ResponseWriter, r *http.Request) {
	rows, dry, gauges, err := srv.Measurements.Measured(r.Context())
	if err != nil {
		srv.fail(w, r, err)
		return
	}
	clock, out := srv.clock(), []wireHandRow{}
	for _, row := range rows {
		out = append(out, wireHandRow{row.Kind, row.Points, row.Quantity.Unit(), wireValue(row.Before, row.Quantity, clock), wireValue(row.After, row.Quantity, clock), wireFigures(row.Figures)})
	}
	answer := map[string]any{"measurements": out, "gauges": wireChecks(gauges), "dry_out": nil}
	if dry != nil {
		answer["dry_out"] = map[string]any{"points": dry.Points, "plateau": dry.Plateau, "words": dry.Words, "readings": dryRows(dry), "figures": wireFigures(dry.Figures)}
	}
	send(w, answer)
}

func dryRows(d *model.DryOut) []map[string]*float64 {
	var out []map[string]*float64
	for _, r := range d.Rows {
		out = append(out, map[string]*float64{"hours": number(r.Hours), "measured_ohms": number(r.Resistance), "winding_celsius": number(r.Temperature), "at_40_ohms": number(r.Corrected)})
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
	Rows       []wireHandRow
	Dry        *model.DryOut
	Facts      []model.Fact
	TickBefore []string
	TickAfter  []string
	Gauges     []wireCheck
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
	for _, row := range rows {
		v.Rows = append(v.Rows, wireHandRow{row.Kind, row.Points, "", wireValue(row.Before, row.Quantity, srv.clock()), wireValue(row.After, row.Quantity, srv.clock()), wireFigures(row.Figures)})
	}
	srv.show(w, r, measureTemplate, v)
}
