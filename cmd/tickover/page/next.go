package page

import (
	"fmt"
	"math"
	"net/http"
	"strconv"

	"tickover/model"
	"tickover/model/performance"
)

// nextView is the page that says whether the next load step may come, and what
// to set governor and regulator by.
type nextView struct {
	view
	NoData         string
	Ready          bool
	Unmet, Unasked []string
	MoreUnmet      int // criteria behind those shown
	Left, Held     string
	Load           string
	Droop          string
	NoLoad         string // frequency without load, Hz
	Class          string
	Dials          []dial
	Droops         []droopChoice
}

type droopChoice struct {
	Percent string
	Here    bool
}

// dial is one live number to set something by.
type dial struct {
	Label, Unit             string
	Mean, Width             string
	Target, Low, High, Over string
	Say, Shape, Class       string
}

// droops are the choices of the page, in percent. The limits of ISO 8528-5
// are 8, 5 and 3 for classes G1 to G3.
var droops = []float64{0, 2, 3, 4, 5, 6, 8}

const usualDroop = 4

// mostUnmet is how many criteria are shown above the numbers to set by.
const mostUnmet = 2

// droopWanted reads the choice in percent.
func droopWanted(r *http.Request) float64 {
	d, err := strconv.ParseFloat(r.URL.Query().Get("droop"), 64)
	if err != nil || !(d >= 0 && d <= 20) {
		return usualDroop
	}
	return d
}

func (srv *server) nextView(droop float64) nextView {
	v := nextView{view: srv.frame("next", "Next step", false)}
	setup := srv.Live.Setup()
	rating := setup.Rating
	bandF, bandU, class := performance.SteadyBands(rating.Class, setup.LimitSets)
	v.Class, v.Droop, v.NoLoad = class, plain(droop), fmt.Sprintf("%.2f", rating.Frequency*(1+droop/100))
	for _, d := range droops {
		v.Droops = append(v.Droops, droopChoice{plain(d), d == droop})
	}
	snap := srv.Live.Latest()
	if snap == nil {
		v.NoData = nothingRead
		return v
	}
	if age, ok := srv.moment(snap).Sub(snap.At); !ok || age > oldAfter {
		v.NoData = "⧗ No new reading for " + span(age) + ". Whether the set is steady is not known."
		return v
	}
	ready := snap.Ready
	v.Ready, v.Unmet, v.Unasked = ready.Ready, ready.Unmet, ready.Unasked
	if n := len(ready.Unmet); n > mostUnmet {
		v.Unmet, v.MoreUnmet = ready.Unmet[:mostUnmet], n-mostUnmet
	}
	if ready.Left > 0 {
		v.Left = span(ready.Left)
	}
	if ready.Held > 0 {
		v.Held = span(ready.Held)
	}
	g := srv.readout(snap, srv.moment(snap))
	share, known := g.share(rating)
	v.Load = "a load that is not known"
	if known {
		v.Load = model.ActivePower.ShowWithUnit(share * rating.ActivePower())
	}
	target := math.NaN()
	if known {
		target = rating.Frequency * (1 + droop/100*(1-share))
	}
	volts := rating.Voltage
	if _, phases := snap.Readings[model.VoltageL1N]; phases {
		volts = rating.PhaseVoltage()
	}
	v.Dials = []dial{dialOf("Frequency", model.Frequency, ready.Frequency, target, bandF/2*rating.Frequency),
		dialOf("Voltage, mean of the phases", model.Voltage, ready.Voltage, volts, bandU*volts)}
	return v
}

// share is the present load over the rated one; false when it is stale or no
// rating is given.
func (g readout) share(r model.Rating) (float64, bool) {
	p, there := g.snap.Readings[model.PowerActive]
	if !there || g.stale(model.PowerActive, p) || r.ActivePower() <= 0 {
		return 0, false
	}
	return p.Last / r.ActivePower(), true
}

// dialOf compares a value with its target, in words and by a shape. A half
// width of 0 means that the limit set names none: nothing is judged then.
func dialOf(label string, q model.Quantity, s model.Swing, target, half float64) dial {
	d := dial{Label: label, Unit: q.ShownUnit(), Mean: "—", Width: "—", Target: q.Show(target),
		Say: "not known yet", Shape: "?", Class: "none"}
	if half > 0 {
		d.Low, d.High = q.Show(target-half), q.Show(target+half)
	}
	if s.Over > 0 {
		d.Over = span(s.Over)
	}
	if !s.Known {
		return d
	}
	d.Mean, d.Width = q.Show(s.Mean), q.Show(s.Width)
	off := s.Mean - target
	switch {
	case math.IsNaN(target) || target <= 0:
		d.Say = "no target: the rating or the load is not known"
	case half <= 0:
		d.Say = q.ShowWithUnit(math.Abs(off)) + " from the target"
	case math.Abs(off) <= half:
		d.Say, d.Shape, d.Class = "within target", "✓", "good"
	case off > 0:
		d.Say, d.Shape, d.Class = q.ShowWithUnit(off)+" too high", "▲", "off"
	default:
		d.Say, d.Shape, d.Class = q.ShowWithUnit(-off)+" too low", "▼", "off"
	}
	return d
}

func plain(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }

func (srv *server) next(w http.ResponseWriter, r *http.Request) {
	v := srv.nextView(droopWanted(r))
	v.Refresh = "3"
	srv.show(w, r, nextTemplate, v)
}
