package performance

import (
	"fmt"
	"math"
	"strings"
	"time"

	"tickover/model"
)

// Kinds of measurement by hand that fuel is reckoned from, as volumes.
const (
	fuelDip   = "fuel dip"   // what is in the tank
	fuelAdded = "fuel added" // what was filled in
)

// dipUncertainty is the assumed error of a dip in m³ when its entry has no resolution.
const dipUncertainty = 0.001

// dip is one reading of the tank.
type dip struct {
	at      moment
	volume  float64
	doubt   float64
	assumed bool
}

// fuel reckons what a kilowatt-hour took, from the last dip before the load
// and the first after it.
func (r *recorder) fuel() model.Figure {
	const name = "fuel per kWh"
	from, to := r.turned()
	first, last, added, why := r.dips(r.moment(from), r.moment(to))
	if why == "" && r.soakLog.joules < 3.6e6 {
		why = "less than 1 kWh was delivered"
	}
	if why != "" {
		return model.NotKnown(name, "", "L/kWh", why)
	}
	energy := r.energy()[0]
	used, kwh := first.volume+added-last.volume, energy.Value
	doubt := first.doubt + last.doubt
	f := number(name, "L/kWh", 1000*used/kwh, "")
	f.Uncertainty = 1000*doubt/kwh + f.Value*energy.Uncertainty/kwh
	f.Note = fmt.Sprintf("%s L for %s kWh between two dips", short(math.Round(1e4*used)/10),
		short(math.Round(kwh*10)/10))
	if first.assumed || last.assumed {
		f.Note += "; ±1 L assumed for each dip, no resolution was entered"
	}
	if used <= 0 {
		return model.NotKnown(name, "", "L/kWh",
			"the tank level did not fall: enter any fuel that was added")
	}
	return f
}

// turned is when the engine first and last turned.
func (r *recorder) turned() (from, to model.Instant) {
	for _, s := range r.in.Run.States {
		if s.State.Turning() {
			if from.IsZero() {
				from = s.From
			}
			to = s.To
		}
	}
	return from, to
}

// moment is when something was done, on the clock of the wall where it is
// known: a dip may be entered hours after it was taken.
type moment struct {
	at   model.Instant
	wall time.Time // zero: not known
}

func (r *recorder) moment(at model.Instant) moment {
	wall, _ := r.in.Clock.Wall(at)
	return moment{at, wall}
}

func (m moment) before(n moment) bool {
	if m.wall.IsZero() || n.wall.IsZero() {
		return m.at.Before(n.at)
	}
	return m.wall.Before(n.wall)
}

// taken is when a measurement by hand was made.
func (r *recorder) taken(e model.Event) moment {
	m := r.moment(e.At)
	if !e.Hand.Taken.IsZero() {
		m.wall = e.Hand.Taken
	}
	return m
}

func (r *recorder) dips(from, to moment) (first, last dip, added float64, why string) {
	replaced := map[uint64]bool{}
	for _, e := range r.in.Events {
		if e.Hand != nil && e.Hand.Corrects != 0 {
			replaced[e.Hand.Corrects] = true
		}
	}
	for _, e := range r.in.Events {
		if e.Hand == nil || e.Hand.Quantity != model.Volume || replaced[e.Seq] && e.Seq != 0 {
			continue
		}
		d := dip{at: r.taken(e), volume: e.Hand.Value, doubt: e.Hand.Conditions["resolution"]}
		if d.doubt <= 0 {
			d.doubt, d.assumed = dipUncertainty, true
		}
		switch kind := strings.ToLower(e.Hand.Kind); {
		case kind == fuelDip && !from.before(d.at) &&
			(first.at.at.IsZero() || first.at.before(d.at)):
			first = d
		case kind == fuelDip && !d.at.before(to) && (last.at.at.IsZero() || d.at.before(last.at)):
			last = d
		}
	}
	switch {
	case first.at.at.IsZero() && last.at.at.IsZero():
		return first, last, 0, "no fuel dip is entered: enter one before and one after the run"
	case first.at.at.IsZero():
		return first, last, 0, "no fuel dip is entered from before the run"
	case last.at.at.IsZero():
		return first, last, 0, "no fuel dip is entered from after the run"
	}
	for _, e := range r.in.Events {
		if e.Hand != nil && !(replaced[e.Seq] && e.Seq != 0) &&
			strings.EqualFold(e.Hand.Kind, fuelAdded) &&
			first.at.before(r.taken(e)) &&
			r.taken(e).before(last.at) {
			added += e.Hand.Value
		}
	}
	return first, last, added, ""
}
