package page

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"tickover/cmd/tickover/api"
	"tickover/model"
)

// oldAfter is the age from which a reading is shown as stale, unless its point
// is polled more slowly than a third of it.
const oldAfter = 5 * time.Second

// gauge turns readings into what people see: with age, and never frozen.
type readout struct {
	now    model.Instant
	points map[model.PointID]model.Point
	every  map[string]time.Duration // poll interval of each device
	snap   *model.Snapshot
}

func (srv *server) readout(snap *model.Snapshot, now model.Instant) readout {
	setup := srv.Live.Setup()
	g := readout{now, setup.Points(), map[string]time.Duration{}, snap}
	for _, d := range setup.Devices {
		g.every[d.Name] = d.Every
	}
	return g
}

// stale reports whether a reading is too old, failed or absent.
func (g readout) stale(id model.PointID, r model.Reading) bool {
	age, ok := g.now.Sub(r.Good)
	return r.Quality != model.Good || r.Good.IsZero() || !ok || age > g.patience(id)
}

func (g readout) patience(id model.PointID) time.Duration {
	p := g.points[id]
	every := p.Every
	if every == 0 {
		every = g.every[p.Device]
	}
	if slices.Contains(model.HostPoints(), id) {
		every = model.HostEvery
	}
	return max(oldAfter, 3*every)
}

func (g readout) quantity(id model.PointID) model.Quantity { return model.QuantityOf(id, g.points) }

func (g readout) wire(id model.PointID, r model.Reading) api.Point {
	q := g.quantity(id)
	out := api.Point{Quantity: q.String(), Unit: q.Unit(), Quality: r.Quality.String(), Cause: r.Cause.String(),
		Age: seconds(g.now, r.Good), Stale: g.stale(id, r)}
	if r.Quality == model.Good {
		out.Value = number(r.Value)
	}
	if !r.Good.IsZero() {
		out.LastGood = number(r.Last)
	}
	return out
}

// cell is one reading as the page shows it.
type cell struct {
	Label, Unit string
	Whole       string // what is written large
	Rest        string // the last decimal, written smaller
	Age         string
	Class       string // "", "stale" or "none"
	Why         string // why it is not live
}

// cell shows one point; fine decimals beyond the first are written smaller.
func (g readout) cell(label string, id model.PointID) cell {
	q := g.quantity(id)
	c := cell{Label: label, Unit: q.ShownUnit(), Whole: "—", Class: "none", Why: "not set up"}
	r, ok := g.snap.Readings[id]
	if !ok {
		if _, configured := g.points[id]; configured {
			c.Why = "not read yet"
		}
		return c
	}
	c.Why = r.Cause.String()
	if r.Good.IsZero() || math.IsNaN(r.Last) || math.IsInf(r.Last, 0) {
		return c
	}
	c.Class, c.Age = "", "another boot"
	if age, same := g.now.Sub(r.Good); same {
		c.Age = span(age)
	}
	if g.stale(id, r) {
		c.Class = "stale"
		if c.Why == "" {
			c.Why = "too old"
		}
	}
	c.Whole = strings.Replace(q.Show(r.Last), "-", "−", 1)
	if dot := strings.IndexByte(c.Whole, '.'); dot >= 0 && len(c.Whole)-dot > 2 {
		c.Whole, c.Rest = c.Whole[:dot+2], c.Whole[dot+2:]
	}
	return c
}

// span writes an age or a duration shortly, as "4 s", "12 min" or "3 h 05".
func span(d time.Duration) string {
	switch d = max(d, 0); {
	case d < 100*time.Second:
		return fmt.Sprintf("%d s", int(d.Seconds()))
	case d < 100*time.Minute:
		return fmt.Sprintf("%d min", int(d.Minutes()))
	case d < 100*time.Hour:
		return fmt.Sprintf("%d h %02d", int(d.Hours()), int(d.Minutes())%60)
	}
	return fmt.Sprintf("%d d", int(d.Hours()/24))
}
