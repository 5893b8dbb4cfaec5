package page

import (
	"net/http"
	"strings"

	"tickover/model"
)

// liveData is what the set shows now.
type liveData interface {
	// Latest returns the newest snapshot; nil before the first scan.
	Latest() *model.Snapshot
	// Setup returns the configuration in force.
	Setup() model.Setup
	// Changed returns a channel that is closed when the next snapshot is
	// there; nil means never.
	Changed() <-chan struct{}
}

// nowView is the page of now.
type nowView struct {
	view
	NoData     string // why there is nothing to show; empty when there is
	Shape      string
	State      string
	For        string
	Late       string // how old the newest reading is, when that is too old
	Big, Small []cell
	Phases     [3][2]cell
	Degraded   string
	Others     string // what else the instruments show, in one line; empty without
	Computer   string // the logger itself in one line; empty when it cannot tell
	Remarks    []string
	Cautions   []model.Caution
	AskTime    bool   // the logger would take a telephone's time
	Clock      string // how the time of day is known
}

var shapes = map[model.EngineState]string{model.EngineUnknown: "?", model.Standstill: "■", model.Cranking: "↻", model.RunningUp: "▲",
	model.Idling: "◇", model.Unloaded: "○", model.Loaded: "●", model.RunningDown: "▼"}

// nothingRead is said before the first scan.
const nothingRead = "No reading yet. Values appear with the first answer from the bus."

func (srv *server) nowView(look bool) nowView {
	v := nowView{view: srv.frame("page", "Now", look), Remarks: remarks, Cautions: model.Cautions()}
	snap := srv.Live.Latest()
	if snap != nil {
		v.Degraded = snap.Store.Degraded
	}
	if len(srv.Live.Setup().Devices) == 0 && (snap == nil || !readsAnything(snap)) {
		v.NoData = "No device is configured. Add the devices on the line to the configuration at the logger."
		return v
	}
	if snap == nil {
		v.NoData = nothingRead
		return v
	}
	v.readings(srv.readout(snap, srv.moment(snap)))
	_, source := snap.Clock.Wall(snap.At)
	v.AskTime, v.Clock = source < model.ClockPhone, source.String()
	return v
}

func (v *nowView) readings(g readout) {
	v.Shape, v.State = shapes[g.snap.State], g.snap.State.Label()
	if d, ok := g.now.Sub(g.snap.Since); ok && !g.snap.Since.IsZero() {
		v.For = span(d)
	}
	if age, ok := g.now.Sub(g.snap.At); !ok || age > oldAfter {
		v.Late = span(age)
	}
	v.Others = g.others()
	v.Degraded, v.Computer = g.snap.Store.Degraded, g.computer()
	v.Big = []cell{g.cell("Oil", model.OilPressure), g.cell("Coolant", model.CoolantTemperature), g.cell("Frequency", model.FrequencyPoint)}
	v.Small = []cell{g.cell("Load", model.PowerActive), g.cell("of rated kW", model.LoadRatio), g.cell("Battery", model.BatteryVoltage)}
	for i := range 3 {
		v.Phases[i] = [2]cell{g.cell([]string{"L1", "L2", "L3"}[i], model.PhaseVoltages[i]), g.cell("", model.PhaseCurrents[i])}
	}
}

func (srv *server) now(w http.ResponseWriter, r *http.Request) {
	v := srv.nowView(look(r))
	v.Hold = r.URL.Query().Has("hold")
	switch {
	case v.Hold:
	case v.Look:
		v.Refresh = "20;url=/"
	case v.Critical != nil:
		v.Refresh = "15"
	default:
		v.Refresh = "2"
	}
	srv.show(w, r, nowTemplate, v)
}

// readsAnything reports whether there is a reading of more than the small
// computer itself.
func readsAnything(snap *model.Snapshot) bool {
	for id := range snap.Readings {
		if !strings.HasPrefix(string(id), "host.") {
			return true
		}
	}
	return false
}
