package chart

import (
	"fmt"
	"iter"
	"time"

	"tickover/model"
)

// Series hands out scans in order of time.
type Series func(q model.Query) iter.Seq2[*model.Scan, error]

// Gathered holds the readings of some points, folded into columns. Memory does
// not grow with their number.
type Gathered struct {
	axis   Axis
	size   Size
	traces map[model.PointID]*trace
	span   float64 // from the left edge to the right one, s; grows with what comes
	lost   int     // scans whose moment no clock could place
	// Folded is the length of the stretches whose lowest and highest readings
	// came in place of readings; 0 means that the readings themselves came.
	Folded time.Duration
	// Prefix goes before the names of a drawing's title and description, which
	// must differ from those of every other drawing of the page.
	Prefix string
}

// NewGathered makes room for the points over a span; 0 when it is not known.
func NewGathered(axis Axis, size Size, span time.Duration, points []model.PointID) *Gathered {
	g := &Gathered{axis: axis, size: size, traces: map[model.PointID]*trace{}, span: span.Seconds()}
	for _, p := range points {
		g.traces[p] = newTrace(g.span, size.Columns)
	}
	return g
}

// Column is what fell into one slice of time.
type Column struct {
	At        float64 // its middle, s since the left edge
	Low, High float64 // canonical unit
	Gap       bool    // a gap lies before it
}

// Columns gives the columns of a point that hold readings, and their width in
// seconds.
func (g *Gathered) Columns(p model.PointID) (columns []Column, width float64) {
	tr := g.traces[p]
	if tr == nil {
		return nil, 0
	}
	for i, c := range tr.columns {
		if c.n > 0 {
			columns = append(columns, Column{(float64(i) + 0.5) * tr.width, c.low, c.high, c.broken})
		}
	}
	return columns, tr.width
}

// Gather folds everything the query finds.
func (g *Gathered) Gather(series Series, q model.Query) error {
	for scan, err := range series(q) {
		if err != nil {
			return fmt.Errorf("read samples: %w", err)
		}
		g.Take(scan)
	}
	return nil
}

// Take folds one scan.
func (g *Gathered) Take(scan *model.Scan) {
	at, ok := g.axis.Since(scan.At)
	if !ok {
		g.lost++
		return
	}
	g.span = max(g.span, at.Seconds())
	for _, s := range scan.Samples {
		switch tr := g.traces[s.Point]; {
		case tr == nil:
		case s.Quality == model.Good:
			tr.add((at + s.Lag).Seconds(), s.Value)
		default:
			tr.bad()
		}
	}
}
