package page

import (
	"bytes"
	_ "embed"
	"html/template"
	"net/http"
	"regexp"
	"slices"

	"tickover/model"
)

//go:embed page.html
var pageSource string

//go:embed runs.html
var runsSource string

//go:embed page.css
var styleSource string

//go:embed page.js
var scriptSource string

var (
	pageTemplate = template.Must(template.New("page").Parse(pageSource))
	runsTemplate = template.Must(template.Must(pageTemplate.Clone()).New("runs").Parse(runsSource))
)

// view is the page of now.
type view struct {
	Simulated bool
	Look      bool // the readings are wanted although a critical alarm waits
	Hold      bool // no refreshing without a script, so that somebody can write
	Style     template.CSS
	Script    template.JS
	Version   string
	Advisory  string
	Cautions  []model.Caution
	Name      string

	NoData     string // why there is nothing to show; empty when there is
	Shape      string
	State      string
	For        string
	Late       string // how old the newest reading is, when that is too old
	Big, Small []cell
	Phases     [3][2]cell
	Degraded   string

	Critical *warning  // the one that takes the screen
	More     int       // further critical ones behind it
	Alarms   []warning // all that are not normal
	Deaf     []warning // those that do not watch
	CanWrite bool
	AskToken bool
}

// warning is one alarm as the page shows it.
type warning struct {
	Rule, Label, Priority, State, Shape string
	Seen, For, Action, Why              string
	Awaits, Critical                    bool
	CanWrite, AskToken                  bool
}

var shapes = map[model.EngineState]string{model.EngineUnknown: "?", model.Standstill: "■", model.Cranking: "↻", model.RunningUp: "▲",
	model.Idling: "◇", model.Unloaded: "○", model.Loaded: "●", model.RunningDown: "▼"}

func (f *face) view(look bool) view {
	v := view{Look: look, Style: template.CSS(styleSource), Script: template.JS(scriptSource), Version: f.opts.Version,
		Advisory: model.Advisory, Cautions: model.Cautions(), CanWrite: f.opts.TrustLocal || f.opts.Token != "", AskToken: !f.opts.TrustLocal}
	setup := f.src.Setup()
	v.Name, v.Simulated = setup.Rating.Name, setup.Simulated
	snap := f.src.Latest()
	if snap == nil {
		v.NoData = "Nothing was read yet. The page fills as soon as the first answer comes from the bus."
		return v
	}
	v.Simulated = v.Simulated || snap.Simulated
	if len(setup.Devices) == 0 && len(snap.Readings) == 0 {
		v.NoData = "No devices yet. Run tickover survey to see who answers on the line, then tickover init, and restart tickover."
		return v
	}
	v.readings(f.gauge(snap, f.moment(snap)))
	v.warnings(f.gauge(snap, f.moment(snap)))
	return v
}

func (v *view) readings(g gauge) {
	v.Shape, v.State = shapes[g.snap.State], g.snap.State.String()
	if d, ok := g.now.Sub(g.snap.Since); ok && !g.snap.Since.IsZero() {
		v.For = span(d)
	}
	if age, ok := g.now.Sub(g.snap.At); !ok || age > oldAfter {
		v.Late = span(age)
	}
	v.Degraded = g.snap.Store.Degraded
	v.Big = []cell{g.cell("Oil", model.OilPressure), g.cell("Coolant", model.CoolantTemperature), g.cell("Frequency", model.FrequencyPoint)}
	v.Small = []cell{g.cell("Load", model.PowerActive), g.cell("of rating", model.LoadRatio), g.cell("Battery", model.BatteryVoltage)}
	for i := range 3 {
		v.Phases[i] = [2]cell{g.cell([]string{"L1", "L2", "L3"}[i], model.PhaseVoltages[i]), g.cell("", model.PhaseCurrents[i])}
	}
}

// warnings sorts what is not normal: critical before warning, waiting before
// seen, first-out before the rest.
func (v *view) warnings(g gauge) {
	all := slices.Clone(g.snap.Alarms)
	slices.SortStableFunc(all, func(a, b model.AlarmStatus) int { return rank(b) - rank(a) })
	for _, a := range all {
		w := g.warning(a)
		w.CanWrite, w.AskToken = v.CanWrite, v.AskToken
		switch {
		case a.State == model.AlarmNormal && !a.Watching && a.Why != "":
			v.Deaf = append(v.Deaf, w)
		case a.State.Active() || a.State.AwaitsPerson():
			v.Alarms = append(v.Alarms, w)
		}
		if !w.Critical || !w.Awaits {
			continue
		}
		if v.Critical == nil {
			v.Critical = &w
		} else {
			v.More++
		}
	}
}

func rank(a model.AlarmStatus) int {
	n := 8 * int(a.Rule.Priority)
	if a.State.AwaitsPerson() {
		n += 4
	}
	if a.State.Active() {
		n += 2
	}
	if a.FirstOut {
		n++
	}
	return n
}

func (g gauge) warning(a model.AlarmStatus) warning {
	w := warning{Rule: a.Rule.ID, Label: a.Rule.Label, Priority: a.Rule.Priority.String(), State: a.State.String(), Shape: "▲",
		Action: a.Rule.Action, Why: a.Why, Awaits: a.State.AwaitsPerson(), Critical: a.Rule.Priority == model.Critical, Seen: "no good reading"}
	if w.Critical {
		w.Shape = "⬣"
	}
	if w.Label == "" {
		w.Label = a.Rule.ID
	}
	q := g.quantity(a.Rule.Point)
	if a.Quality == model.Good {
		w.Seen = q.ShowWithUnit(a.Value) + ", limit " + q.ShowWithUnit(a.Limit)
	}
	if d, ok := g.now.Sub(a.Since); ok && !a.Since.IsZero() {
		w.For = span(d)
	}
	return w
}

// look reports whether the readings are wanted in front of a critical alarm.
func look(r *http.Request) bool { return r.URL.Query().Has("look") }

func (f *face) now(w http.ResponseWriter, r *http.Request) {
	v := f.view(look(r))
	v.Hold = r.URL.Query().Has("hold")
	f.show(w, r, pageTemplate, v)
}

// show answers with a page of our own style and script.
func (f *face) show(w http.ResponseWriter, r *http.Request, t *template.Template, v any) {
	var b bytes.Buffer
	if err := t.Execute(&b, v); err != nil {
		f.fail(w, r, err)
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Header().Set("Content-Security-Policy", pagePolicy)
	_, _ = w.Write(b.Bytes()) // the reader may be gone
}

// runLine is one run of the list.
type runLine struct {
	ID, Started, Running, Loaded, End string
	Cranks, Starts                    int
}

func (f *face) runs(w http.ResponseWriter, r *http.Request) {
	runs, err := f.src.Runs(r.Context())
	if err != nil {
		f.fail(w, r, err)
		return
	}
	v := struct {
		view
		Runs []runLine
	}{view: f.view(true)}
	clock := f.clock()
	for _, run := range slices.Backward(runs) {
		line := runLine{ID: run.ID, Started: run.Started.String(), Running: span(run.Running), Loaded: span(run.Loaded),
			Cranks: run.Cranks, Starts: run.Starts, End: "ended"}
		if at := wall(clock, run.Started); at != nil {
			line.Started = at.Format("2006-01-02 15:04") + " UTC"
		}
		switch {
		case run.Open:
			line.End = "going on"
		case run.CutShort != "":
			line.End = "cut short: " + run.CutShort
		}
		v.Runs = append(v.Runs, line)
	}
	f.show(w, r, runsTemplate.Lookup("runs"), v)
}

var style = regexp.MustCompile(`(?s)<style>(.*?)</style>`)

// reportPolicy allows a report the one style sheet it carries.
func reportPolicy(html string) string {
	allowed := "'none'"
	if m := style.FindStringSubmatch(html); m != nil {
		allowed = "'" + hash(m[1]) + "'"
	}
	return "default-src 'none'; style-src " + allowed + "; base-uri 'none'; frame-ancestors 'none'"
}
