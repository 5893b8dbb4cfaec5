package report

import (
	"math"
	"strconv"
	"strings"
	"time"

	"tickover/model"
)

// number writes a value with the digits a reading deserves. It never writes
// NaN or an exponent.
func number(v float64) string {
	a := math.Abs(v)
	switch {
	case math.IsNaN(v) || math.IsInf(v, 0):
		return "–"
	case a >= 1000:
		return minus(strconv.FormatFloat(v, 'f', 0, 64))
	case a >= 100:
		return minus(strconv.FormatFloat(v, 'f', 1, 64))
	}
	return minus(strconv.FormatFloat(v, 'f', 2, 64))
}

// minus writes the sign of a number; what rounds to nothing has none.
func minus(s string) string {
	if strings.Trim(s, "-0.") == "" {
		return strings.TrimPrefix(s, "-")
	}
	return strings.Replace(s, "-", "−", 1)
}

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }

// value writes what a figure says, bound and uncertainty included.
func value(f model.Figure) string {
	if !f.Known || !finite(f.Value) {
		return "not determined"
	}
	unit := ""
	if f.Unit != "" {
		unit = " " + f.Unit
	}
	text := number(f.Value) + unit
	switch {
	case f.Bound == model.Interval:
		return number(f.Low) + " to " + number(f.High) + unit
	case f.Bound == model.AtMost:
		return "at most " + text
	case f.Bound == model.AtLeast && f.Value < 0:
		return "dip of " + number(-f.Value) + unit + " or more"
	case f.Bound == model.AtLeast:
		return "at least " + text
	case f.Uncertainty > 0:
		return number(f.Value) + " ± " + number(f.Uncertainty) + unit
	}
	return text
}

// sign gives the verdict a shape, for paper without colour.
func sign(v model.Verdict) string {
	return map[model.Verdict]string{model.Within: "✓", model.Outside: "✗", model.NotDetermined: "?", model.NoLimit: "·"}[v]
}

// verdictClass names a verdict as a class of the style sheet.
func verdictClass(v model.Verdict) string { return strings.ReplaceAll(v.String(), " ", "-") }

// interval writes a sampling interval.
func interval(d time.Duration) string {
	if d <= 0 {
		return "–"
	}
	return strconv.FormatFloat(d.Seconds(), 'g', 3, 64) + " s"
}

// basis writes a limit's source and how it was known.
func basis(f model.Figure) string {
	switch {
	case f.LimitSource == "":
		return f.Confidence
	case f.Confidence == "" || f.Confidence == "seen":
		return f.LimitSource
	}
	return f.LimitSource + " (" + f.Confidence + ")"
}

// allFigures gathers every figure of the record, in the order shown.
func allFigures(rec *model.RunRecord) []model.Figure {
	var all []model.Figure
	for _, s := range rec.FirstStart {
		all = append(all, s.Figures...)
	}
	for _, s := range rec.Steps {
		all = append(all, s.Figures...)
	}
	return append(all, rec.Figures...)
}

// sources lists each source of a limit once, in the order met.
func sources(rec *model.RunRecord) []string {
	var list []string
	seen := map[string]bool{"": true}
	for _, f := range allFigures(rec) {
		if b := basis(f); f.Limit != "" && !seen[b] {
			seen[b] = true
			list = append(list, b)
		}
	}
	return list
}

// tally counts the verdicts of the record in words.
func tally(rec *model.RunRecord) string {
	count := map[model.Verdict]int{}
	for _, f := range allFigures(rec) {
		count[f.Verdict]++
	}
	var parts []string
	for _, v := range []model.Verdict{model.Within, model.Outside, model.NotDetermined} {
		parts = append(parts, strconv.Itoa(count[v])+" "+v.String())
	}
	return strings.Join(parts, ", ")
}

// quantityOf finds the quantity of a point among the sensors of the record or
// the well-known points.
func quantityOf(rec *model.RunRecord, p model.PointID) model.Quantity {
	for _, s := range rec.Sensors {
		if s.ID == p {
			return s.Quantity
		}
	}
	q, _ := model.KnownQuantity(p)
	return q
}
