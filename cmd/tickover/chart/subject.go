package chart

import (
	"fmt"
	"html/template"
	"image/color"
	"math"
	"strconv"
	"strings"

	"tickover/model"
)

// Subject is what one chart shows.
type Subject struct {
	ID, Title string
	Points    []model.PointID
	Names     []string // of the lines, one for each point
	Quantity  model.Quantity
	// Rated is the value the window of the upright axis is laid around,
	// canonical unit, from Below to Above it as shares. 0 means that the
	// readings alone decide.
	Rated        float64
	Below, Above float64
}

// The phases are told apart by the colours IEC 60445 gives their conductors.
var phaseColours = []color.Color{color.RGBA{R: 122, G: 58, A: 255}, grey(0), grey(135), color.RGBA{B: 150, G: 60, A: 255}}

// Subjects lists what is drawn of every run.
func Subjects(r model.Rating) []Subject {
	phases := []string{"L1", "L2", "L3"}
	return []Subject{
		{"frequency", "Frequency", []model.PointID{model.FrequencyPoint}, []string{"f"}, model.Frequency, r.Frequency, 0.84, 1.2},
		{"voltages", "Phase voltages", model.PhaseVoltages[:], phases, model.Voltage, r.PhaseVoltage(), 0.7, 1.3},
		{"power", "Active power", append(model.PhaseActive[:], model.PowerActive), append(phases, "total"), model.ActivePower, 0, 0, 0},
		{"oil", "Oil pressure", []model.PointID{model.OilPressure}, []string{"oil"}, model.Pressure, 0, 0, 0},
		{"coolant", "Coolant temperature", []model.PointID{model.CoolantTemperature}, []string{"coolant"}, model.Temperature, 0, 0, 0},
		{"battery", "Starter battery", []model.PointID{model.BatteryVoltage}, []string{"battery"}, model.Voltage, 0, 0, 0},
	}
}

// Points lists the points of the subjects.
func Points(subjects []Subject) []model.PointID {
	var points []model.PointID
	for _, s := range subjects {
		points = append(points, s.Points...)
	}
	return points
}

// Drawing is a finished chart with what to know when reading it.
type Drawing struct {
	Title, Unit string
	SVG         template.HTML
	Caption     string // what the readings are
	Sampling    string // how often they were read and what one column holds
}

// Sampling lists how the readings of drawings were taken: one sentence when it is
// the same for all, else one a drawing with its title.
func Sampling(list []Drawing) []string {
	var each []string
	same := true
	for _, d := range list {
		each = append(each, d.Title+": "+d.Sampling)
		same = same && d.Sampling == list[0].Sampling
	}
	if same && len(list) > 0 {
		return []string{list[0].Sampling}
	}
	return each
}

// Draw draws the subjects that have readings.
func (g *Gathered) Draw(subjects []Subject, marks []Mark) ([]Drawing, error) {
	var list []Drawing
	for _, s := range subjects {
		c, ok := s.chart(g, marks)
		if !ok {
			continue
		}
		list = append(list, Drawing{c.title, c.unit, template.HTML(c.svg()), strings.Join(c.caption, " "), c.sampling})
	}
	return list, nil
}

// chart lays out one subject; false when there is nothing to show.
func (s Subject) chart(g *Gathered, marks []Mark) (chart, bool) {
	c := chart{size: g.size, id: g.Prefix + s.ID, title: s.Title, unit: s.Quantity.ShownUnit(), to: max(g.span, 1), marks: marks}
	start, known := g.axis.Wall(g.axis.Start)
	c.ticks = hours(0, c.to, start, known, g.size.Ticks)
	low, high := math.Inf(1), math.Inf(-1)
	width, shortest := 0.0, math.Inf(1)
	for i, p := range s.Points {
		tr := g.traces[p]
		l, h, ok := tr.extent()
		if !ok {
			continue
		}
		low, high = min(low, l), max(high, h)
		width = max(width, tr.width)
		if tr.shortest > 0 {
			shortest = min(shortest, tr.shortest)
		}
		c.curves = append(c.curves, curve{s.Names[i], s.colour(i), s.shown(tr.lines())})
	}
	if len(c.curves) == 0 {
		return c, false
	}
	c.low, c.high = s.window(low, high)
	c.caption, c.sampling = s.caption(c, low, high, g), g.sampling(width, shortest)
	c.desc = strings.Join(c.caption, " ") + fmt.Sprintf(" %s Marks: %d.", c.sampling, len(marks))
	return c, true
}

func (s Subject) colour(i int) color.Color {
	if len(s.Points) == 1 {
		return phaseColours[3]
	}
	return phaseColours[i]
}

func (s Subject) shown(lines [][]point) [][]point {
	for _, line := range lines {
		for i := range line {
			line[i].v = model.InUnit(line[i].v, s.Quantity, s.Quantity.ShownUnit())
		}
	}
	return lines
}

// window chooses the ends of the upright axis, in the unit shown.
func (s Subject) window(low, high float64) (float64, float64) {
	if s.Rated > 0 && high > s.Rated*s.Below {
		low, high = max(low, s.Rated*s.Below), min(high, s.Rated*s.Above)
		low, high = min(low, s.Rated*0.96), max(high, s.Rated*1.04)
	} else if low > 0 && s.Quantity != model.Temperature && low < high/2 {
		low = 0
	}
	unit := s.Quantity.ShownUnit()
	low, high = model.InUnit(low, s.Quantity, unit), model.InUnit(high, s.Quantity, unit)
	margin := max((high-low)*0.05, math.Abs(high)*0.005, 0.05)
	if low == 0 {
		return 0, high + margin
	}
	return low - margin, high + margin
}

func (s Subject) caption(c chart, low, high float64, g *Gathered) []string {
	unit := s.Quantity.ShownUnit()
	l, h := model.InUnit(low, s.Quantity, unit), model.InUnit(high, s.Quantity, unit)
	list := []string{fmt.Sprintf("Lowest %s, highest %s.", s.Quantity.ShowWithUnit(low), s.Quantity.ShowWithUnit(high))}
	if l < c.low || h > c.high {
		list = append(list, "The plot is cut off at its top or bottom edge.")
	}
	if g.lost > 0 {
		list = append(list, fmt.Sprintf("%d scans without a known time are not drawn.", g.lost))
	}
	return list
}

// sampling says what one column of so many seconds holds, and how often readings
// came at best: what is shorter is not seen.
func (g *Gathered) sampling(width, shortest float64) string {
	three := func(v float64) string { return strconv.FormatFloat(v, 'g', 3, 64) + " s" }
	text := "Min/max per " + three(width)
	switch {
	case g.Folded > 0:
		text += ", from the extremes of every " + three(g.Folded.Seconds())
	case !math.IsInf(shortest, 0):
		text += ", sampled every " + three(shortest)
	}
	return text + "."
}
