package chart

import (
	"fmt"
	"image/color"
	"math"
)

// Drying draws corrected insulation resistance, in Ω, over hours on a
// logarithmic upright axis in MΩ: a winding that dries at a steady rate draws a
// straight line there. Resistances must be above zero.
func Drying(title string, hours, ohms []float64) (string, error) {
	var line []point
	low, high := math.Inf(1), math.Inf(-1)
	for i, h := range hours {
		v := math.Log10(ohms[i] / 1e6)
		line = append(line, point{h, v})
		low, high = min(low, v), max(high, v)
	}
	c := &chart{size: Paper, id: "drying", title: title, unit: "MΩ",
		desc: fmt.Sprintf("Corrected to 40 °C, from %.3g to %.3g MΩ over %.3g hours, on a logarithmic axis.", ohms[0]/1e6, ohms[len(ohms)-1]/1e6, hours[len(hours)-1]-hours[0]),
		low:  math.Floor(low), high: math.Floor(high) + 1, from: hours[0], to: max(hours[len(hours)-1], hours[0]+1),
		curves: []curve{{name: "MΩ", colour: color.Black, lines: [][]point{line}}}}
	c.ticks = levels(c.from, c.to)
	for i := range c.ticks {
		c.ticks[i].label += " h"
	}
	c.levels = decades(c.low, c.high)
	return c.svg(), nil
}

// decades gives a tick at each power of ten, where 0 stands for 1.
func decades(low, high float64) []mark {
	var ticks []mark
	for k := low; k <= high; k++ {
		ticks = append(ticks, mark{value: k, label: fmt.Sprintf("%g", math.Pow(10, k))})
	}
	return ticks
}
