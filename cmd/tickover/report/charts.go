package report

import (
	"cmp"
	"fmt"
	"html/template"
	"image/color"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"tickover/model"
)

// subject is what one chart shows.
type subject struct {
	id, title string
	points    []model.PointID
	names     []string
	quantity  model.Quantity
	// rated is the value the window of the upright axis is laid around,
	// canonical unit, from below to above it as shares. 0 means that the
	// readings alone decide.
	rated        float64
	below, above float64
}

// The phases are told apart by the colours IEC 60445 gives their conductors.
var phaseColours = []color.Color{color.RGBA{R: 122, G: 58, A: 255}, grey(0), grey(135), color.RGBA{B: 150, G: 60, A: 255}}

func subjects(r model.Rating) []subject {
	phases := []string{"L1", "L2", "L3"}
	return []subject{
		{"frequency", "Frequency", []model.PointID{model.FrequencyPoint}, []string{"f"}, model.Frequency, r.Frequency, 0.84, 1.2},
		{"voltages", "Phase voltages", model.PhaseVoltages[:], phases, model.Voltage, r.PhaseVoltage(), 0.7, 1.3},
		{"power", "Active power", append(model.PhaseActive[:], model.PowerActive), append(phases, "total"), model.ActivePower, 0, 0, 0},
		{"oil", "Oil pressure", []model.PointID{model.OilPressure}, []string{"oil"}, model.Pressure, 0, 0, 0},
		{"coolant", "Coolant temperature", []model.PointID{model.CoolantTemperature}, []string{"coolant"}, model.Temperature, 0, 0, 0},
		{"battery", "Starter battery", []model.PointID{model.BatteryVoltage}, []string{"battery"}, model.Voltage, 0, 0, 0},
	}
}

// drawing is a finished chart with what to know when reading it.
type drawing struct {
	Title, Unit string
	SVG         template.HTML
	Caption     string
}

// gathered is the outcome of one pass over the series.
type gathered struct {
	traces map[model.PointID]*trace
	span   float64 // last moment seen or the end of the run, s after the start
	lost   int     // scans whose moment no clock could place
}

// gather folds the run's scans into one trace for each point wanted.
func gather(d dating, run model.Run, series Series, points []model.PointID) (gathered, error) {
	span, _ := d.since(run.Ended)
	g := gathered{traces: map[model.PointID]*trace{}, span: span.Seconds()}
	for _, p := range points {
		g.traces[p] = newTrace(g.span)
	}
	for scan, err := range series(model.Query{From: run.Started, To: run.Ended, Points: points}) {
		if err != nil {
			return g, fmt.Errorf("read the run's samples: %w", err)
		}
		at, ok := d.since(scan.At)
		if !ok {
			g.lost++
			continue
		}
		g.span = max(g.span, at.Seconds())
		for _, s := range scan.Samples {
			g.take(at, s)
		}
	}
	return g, nil
}

func (g gathered) take(at time.Duration, s model.Sample) {
	switch tr := g.traces[s.Point]; {
	case tr == nil:
	case s.Quality == model.Good:
		tr.add((at + s.Lag).Seconds(), s.Value)
	default:
		tr.bad()
	}
}

// drawings makes the charts of a record.
func drawings(rec *model.RunRecord, d dating, series Series) ([]drawing, error) {
	if series == nil {
		return nil, nil
	}
	all := subjects(rec.Rating)
	var points []model.PointID
	for _, s := range all {
		points = append(points, s.points...)
	}
	g, err := gather(d, rec.Run, series, points)
	if err != nil {
		return nil, err
	}
	marks := marksOf(rec, d)
	var list []drawing
	for _, s := range all {
		c, ok := s.chart(d, g, marks)
		if !ok {
			continue
		}
		svg, err := c.svg()
		if err != nil {
			return nil, err
		}
		list = append(list, drawing{c.title, c.unit, template.HTML(svg), strings.Join(c.caption, " ")})
	}
	return list, nil
}

// chart lays out one subject; false when there is nothing to show.
func (s subject) chart(d dating, g gathered, marks []mark) (chart, bool) {
	c := chart{id: s.id, title: s.title, unit: s.quantity.ShownUnit(), to: max(g.span, 1), marks: marks}
	start, known := d.wall(d.start)
	c.ticks = hours(0, c.to, start, known)
	low, high := math.Inf(1), math.Inf(-1)
	width, shortest := 0.0, math.Inf(1)
	for i, p := range s.points {
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
		c.curves = append(c.curves, curve{s.names[i], s.colour(i), s.shown(tr.lines())})
	}
	if len(c.curves) == 0 {
		return c, false
	}
	c.low, c.high = s.window(low, high)
	c.caption = s.caption(c, low, high, width, shortest, g.lost)
	c.desc = strings.Join(c.caption, " ") + fmt.Sprintf(" The run has %d marks.", len(marks))
	return c, true
}

func (s subject) colour(i int) color.Color {
	if len(s.points) == 1 {
		return phaseColours[3]
	}
	return phaseColours[i]
}

func (s subject) shown(lines [][]point) [][]point {
	for _, line := range lines {
		for i := range line {
			line[i].v = model.InUnit(line[i].v, s.quantity, s.quantity.ShownUnit())
		}
	}
	return lines
}

// window chooses the ends of the upright axis, in the unit shown.
func (s subject) window(low, high float64) (float64, float64) {
	if s.rated > 0 && high > s.rated*s.below {
		low, high = max(low, s.rated*s.below), min(high, s.rated*s.above)
		low, high = min(low, s.rated*0.96), max(high, s.rated*1.04)
	} else if low > 0 && s.quantity != model.Temperature && low < high/2 {
		low = 0
	}
	unit := s.quantity.ShownUnit()
	low, high = model.InUnit(low, s.quantity, unit), model.InUnit(high, s.quantity, unit)
	margin := max((high-low)*0.05, math.Abs(high)*0.005, 0.05)
	if low == 0 {
		return 0, high + margin
	}
	return low - margin, high + margin
}

func (s subject) caption(c chart, low, high, width, shortest float64, lost int) []string {
	unit := s.quantity.ShownUnit()
	three := func(v float64) string { return strconv.FormatFloat(v, 'g', 3, 64) }
	l, h := model.InUnit(low, s.quantity, unit), model.InUnit(high, s.quantity, unit)
	list := []string{fmt.Sprintf("Lowest %s, highest %s.", s.quantity.ShowWithUnit(low), s.quantity.ShowWithUnit(high))}
	if l < c.low || h > c.high {
		list = append(list, "What lies outside the window is cut off at its edge.")
	}
	list = append(list, fmt.Sprintf("Each column shows the lowest and highest reading of %s s.", three(width)))
	if !math.IsInf(shortest, 0) {
		list = append(list, fmt.Sprintf("Readings came at best every %s s; anything shorter is not seen.", three(shortest)))
	}
	if lost > 0 {
		list = append(list, fmt.Sprintf("%d scans could not be placed in time and are not drawn.", lost))
	}
	return list
}

// marksOf gives the load steps by number and the alarms raised.
func marksOf(rec *model.RunRecord, d dating) []mark {
	var marks []mark
	for i, s := range rec.Steps {
		if at, ok := d.since(s.At); ok {
			marks = append(marks, mark{at.Seconds(), fmt.Sprint(i + 1), false})
		}
	}
	for _, a := range rec.Alarms {
		at, ok := d.since(a.At)
		if ok && a.To == model.AlarmUnacknowledged {
			marks = append(marks, mark{at.Seconds(), "", true})
		}
	}
	slices.SortStableFunc(marks, func(a, b mark) int { return cmp.Compare(a.at, b.at) })
	return marks
}
