package chart

import (
	"image/color"
	"slices"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/text"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/vgsvg"
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

// labelSpace is left right of the data for the names of the lines.
const labelSpace = 12 * vg.Millimeter

// chart is one plot over time.
type chart struct {
	size            Size
	id, title, desc string
	unit            string
	low, high       float64 // of the upright axis, unit shown
	from, to        float64 // of the time axis, s after the start
	ticks           []plot.Tick
	levels          []plot.Tick // of the upright axis; nil for round steps
	curves          []curve
	marks           []Mark
	caption         []string // what to know when reading it
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

func (s Size) width() vg.Length  { return vg.Length(s.Width) * vg.Millimeter }
func (s Size) height() vg.Length { return vg.Length(s.Height) * vg.Millimeter }

func grey(v uint8) color.Color { return color.Gray{Y: v} }

func sans(size vg.Length) font.Font {
	return font.Font{Typeface: "Liberation", Variant: "Sans", Size: size}
}

// svg draws the chart.
func (c *chart) svg() (string, error) {
	p := plot.New()
	p.BackgroundColor = nil
	p.X.Min, p.X.Max = c.from, c.to
	p.Y.Min, p.Y.Max = c.low, c.high
	p.X.Tick.Marker = plot.ConstantTicks(c.ticks)
	if c.levels == nil {
		c.levels = levels(c.low, c.high)
	}
	p.Y.Tick.Marker = plot.ConstantTicks(c.levels)
	for _, a := range []*plot.Axis{&p.X, &p.Y} {
		a.Padding = 0
		a.Tick.Label.Font = sans(8)
		a.Tick.Length = 3
		a.LineStyle.Width, a.Tick.LineStyle.Width = 0.5, 0.5
	}
	p.Add(grid{c}, markers{c})
	for _, cv := range c.curves {
		p.Add(cv)
	}
	p.Add(names{c})
	canvas := vgsvg.New(c.size.width(), c.size.height())
	p.Draw(draw.Crop(draw.New(canvas), 0, -labelSpace, 2, -13))
	return inline(canvas, c)
}

// grid draws a thin line at every labelled tick.
type grid struct{ c *chart }

// Plot draws the grid.
func (g grid) Plot(c draw.Canvas, p *plot.Plot) {
	x, y := p.Transforms(&c)
	thin := draw.LineStyle{Color: grey(225), Width: 0.4}
	for _, t := range p.X.Tick.Marker.Ticks(p.X.Min, p.X.Max) {
		c.StrokeLine2(thin, x(t.Value), c.Min.Y, x(t.Value), c.Max.Y)
	}
	for _, t := range p.Y.Tick.Marker.Ticks(p.Y.Min, p.Y.Max) {
		c.StrokeLine2(thin, c.Min.X, y(t.Value), c.Max.X, y(t.Value))
	}
}

// Plot draws the curve; what lies outside the upright axis is cut off there.
func (cv curve) Plot(c draw.Canvas, p *plot.Plot) {
	x, y := p.Transforms(&c)
	style := draw.LineStyle{Color: cv.colour, Width: 0.8}
	for _, line := range cv.lines {
		pts := make([]vg.Point, len(line))
		for i, q := range line {
			pts[i] = vg.Point{X: x(q.t), Y: y(q.v)}
		}
		if len(pts) == 1 {
			pts = append(pts, vg.Point{X: pts[0].X + 0.5, Y: pts[0].Y})
		}
		c.StrokeLines(style, c.ClipLinesY(pts)...)
	}
}

// markers draws a dashed upright for a load step, a solid one with a triangle
// for an alarm. Marks that would touch share one label.
type markers struct{ c *chart }

// Plot draws the marks.
func (m markers) Plot(c draw.Canvas, p *plot.Plot) {
	x, _ := p.Transforms(&c)
	free := c.Min.X
	for _, k := range m.c.marks {
		at := x(k.At)
		style := draw.LineStyle{Color: grey(110), Width: 0.5, Dashes: []vg.Length{2, 2}}
		if k.Alarm {
			style = draw.LineStyle{Color: color.RGBA{R: 190, A: 255}, Width: 0.7}
			triangle(c, at)
		}
		c.StrokeLine2(style, at, c.Min.Y, at, c.Max.Y)
		if at < free {
			continue
		}
		sty := text.Style{Color: style.Color, Font: sans(7), XAlign: draw.XCenter, Handler: p.TextHandler}
		c.FillText(sty, vg.Point{X: at, Y: c.Max.Y + 5}, k.Label)
		free = at + sty.Width(k.Label) + 3
	}
}

func triangle(c draw.Canvas, at vg.Length) {
	var path vg.Path
	path.Move(vg.Point{X: at, Y: c.Max.Y})
	path.Line(vg.Point{X: at - 2.5, Y: c.Max.Y + 4.5})
	path.Line(vg.Point{X: at + 2.5, Y: c.Max.Y + 4.5})
	path.Close()
	c.SetColor(color.RGBA{R: 190, A: 255})
	c.Fill(path)
}

// names writes each curve's name at its right end, moved apart where they
// would overlap.
type names struct{ c *chart }

// Plot writes the names.
func (n names) Plot(c draw.Canvas, p *plot.Plot) {
	_, y := p.Transforms(&c)
	type label struct {
		curve
		y vg.Length
	}
	var all []label
	for _, cv := range n.c.curves {
		if len(cv.lines) == 0 {
			continue
		}
		line := cv.lines[len(cv.lines)-1]
		all = append(all, label{cv, min(max(y(line[len(line)-1].v), c.Min.Y), c.Max.Y)})
	}
	slices.SortStableFunc(all, func(a, b label) int { return int(1000 * (a.y - b.y)) })
	const height = 9
	floor := c.Min.Y
	for i, l := range all {
		// The names still to come need their room below the top.
		at := min(max(l.y-3, floor), c.Max.Y-vg.Length(height*(len(all)-1-i))-3)
		sty := text.Style{Color: l.colour, Font: sans(8), Handler: p.TextHandler}
		c.FillText(sty, vg.Point{X: c.Max.X + 3, Y: at}, l.name)
		floor = at + height
	}
}
