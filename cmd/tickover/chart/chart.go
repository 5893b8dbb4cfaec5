package chart

import (
	"cmp"
	"image/color"
	"slices"
)

// Size is the room a drawing has.
type Size struct {
	Width, Height float64 // mm
	Columns       int     // the most columns readings are folded into
	Ticks         int     // the most labelled times
}

// The places drawings are made for: the text width of A4 and half of it, and a
// telephone held upright, where letters must not shrink.
var (
	Paper = Size{180, 46, 480, 8}
	Half  = Size{88, 36, 250, 4}
	Phone = Size{92, 54, 300, 4}
)

// Room round the data, in points: the names of the curves on the right, marks
// above, labels of the time axis below.
const (
	rightRoom = 12 * perMillimetre
	topRoom   = 13
	lowRoom   = 15
	tick      = 3 // the length of a tick
	letters   = 8 // the size of text

	perMillimetre = 72 / 25.4
)

// chart is one plot over time.
type chart struct {
	size            Size
	id, title, desc string
	unit            string
	low, high       float64 // of the upright axis, unit shown
	from, to        float64 // of the time axis, s after the start
	ticks           []mark
	levels          []mark // of the upright axis; nil for round steps
	curves          []curve
	marks           []Mark
	caption         []string // what to know when reading it
	sampling        string
}

// curve is one line of a chart.
type curve struct {
	name   string
	colour color.Color
	lines  [][]point
}

// Mark is something that happened at a moment.
type Mark struct {
	At    float64 // s after the start
	Label string
	Alarm bool // drawn as a triangle on a solid upright; otherwise a dashed one
}

// mark is a labelled place on an axis.
type mark struct {
	value float64
	label string
}

func (s Size) width() float64  { return s.Width * perMillimetre }
func (s Size) height() float64 { return s.Height * perMillimetre }

func grey(v uint8) color.Color { return color.Gray{Y: v} }

var alarmColour = color.RGBA{R: 190, A: 255}

// sheet is a chart being drawn.
type sheet struct {
	*chart
	canvas
	left, right, top, floor float64 // the edges of the data
}

// svg draws the chart.
func (c *chart) svg() string {
	if c.levels == nil {
		c.levels = levels(c.low, c.high)
	}
	widest := 0.0
	for _, l := range c.levels {
		widest = max(widest, textWidth(l.label, letters))
	}
	d := &sheet{chart: c, left: widest + tick + 3, right: c.size.width() - rightRoom, top: topRoom, floor: c.size.height() - lowRoom}
	d.axes()
	d.happenings()
	for _, cv := range c.curves {
		d.curve(cv)
	}
	d.names()
	return d.element(c.size.width(), c.size.height(), c.id, c.title, c.desc)
}

func (d *sheet) x(t float64) float64 { return d.left + (t-d.from)/(d.to-d.from)*(d.right-d.left) }
func (d *sheet) y(v float64) float64 { return d.floor - (v-d.low)/(d.high-d.low)*(d.floor-d.top) }

// axes draws both axes with a thin line at every labelled tick.
func (d *sheet) axes() {
	thin, bold := stroke{grey(225), 0.4, ""}, stroke{color.Black, 0.5, ""}
	for _, t := range d.ticks {
		x := d.x(t.value)
		d.line(thin, spot{x, d.floor}, spot{x, d.top})
		d.line(bold, spot{x, d.floor}, spot{x, d.floor + tick})
		d.text(spot{x, d.floor + tick + letters}, fromMiddle, letters, color.Black, t.label)
	}
	for _, t := range d.levels {
		y := d.y(t.value)
		d.line(thin, spot{d.left, y}, spot{d.right, y})
		d.line(bold, spot{d.left - tick, y}, spot{d.left, y})
		d.text(spot{d.left - tick - 2, y + letters/3.0}, fromEnd, letters, color.Black, t.label)
	}
	d.line(bold, spot{d.left, d.top}, spot{d.left, d.floor}, spot{d.right, d.floor})
}

// curve draws a curve; what lies outside the upright axis is cut off there.
func (d *sheet) curve(cv curve) {
	for _, whole := range cv.lines {
		for _, line := range clipped(whole, d.low, d.high) {
			through := make([]spot, len(line))
			for i, q := range line {
				through[i] = spot{d.x(q.t), d.y(q.v)}
			}
			if len(through) == 1 {
				through = append(through, spot{through[0].x + 0.5, through[0].y})
			}
			d.line(stroke{cv.colour, 0.8, ""}, through...)
		}
	}
}

// clipped returns the parts of a line between two heights.
func clipped(line []point, low, high float64) (parts [][]point) {
	var part []point
	for i, q := range line {
		if i > 0 {
			a, b, ok := between(line[i-1], q, low, high)
			switch {
			case ok && len(part) > 0 && part[len(part)-1] == a:
				part = append(part, b)
			case ok:
				if len(part) > 0 {
					parts = append(parts, part)
				}
				part = []point{a, b}
			}
		} else if len(line) == 1 && q.v >= low && q.v <= high {
			part = []point{q}
		}
	}
	if len(part) > 0 {
		parts = append(parts, part)
	}
	return parts
}

// between cuts the way from a to b at two heights; false when none is left.
func between(a, b point, low, high float64) (point, point, bool) {
	if max(a.v, b.v) < low || min(a.v, b.v) > high {
		return a, b, false
	}
	at := func(v float64) point { return point{a.t + (v-a.v)/(b.v-a.v)*(b.t-a.t), v} }
	cut := func(q point) point {
		switch {
		case q.v < low:
			return at(low)
		case q.v > high:
			return at(high)
		}
		return q
	}
	return cut(a), cut(b), true
}

// happenings draws a dashed upright for a load step, a solid one with a
// triangle for an alarm. Marks that would touch share one label.
func (d *sheet) happenings() {
	free := d.left
	for _, k := range d.marks {
		x, style := d.x(k.At), stroke{grey(110), 0.5, "2,2"}
		if k.Alarm {
			style = stroke{alarmColour, 0.7, ""}
			d.area(alarmColour, spot{x, d.top}, spot{x - 2.5, d.top - 4.5}, spot{x + 2.5, d.top - 4.5})
		}
		d.line(style, spot{x, d.floor}, spot{x, d.top})
		if x < free || k.Label == "" {
			continue
		}
		d.text(spot{x, d.top - 5}, fromMiddle, 7, style.colour, k.Label)
		free = x + textWidth(k.Label, 7) + 3
	}
}

// names writes each curve's name at its right end, moved apart where they
// would overlap.
func (d *sheet) names() {
	type label struct {
		curve
		y float64
	}
	var all []label
	for _, cv := range d.curves {
		if len(cv.lines) == 0 {
			continue
		}
		line := cv.lines[len(cv.lines)-1]
		all = append(all, label{cv, min(max(d.y(line[len(line)-1].v), d.top), d.floor)})
	}
	slices.SortStableFunc(all, func(a, b label) int { return cmp.Compare(b.y, a.y) })
	const height = 9
	lowest := d.floor
	for i, l := range all {
		// The names still to come need their room below the top.
		y := max(min(l.y+3, lowest), d.top+float64(height*(len(all)-1-i))+3)
		d.text(spot{d.right + 3, y}, fromStart, letters, l.colour, l.name)
		lowest = y - height
	}
}
