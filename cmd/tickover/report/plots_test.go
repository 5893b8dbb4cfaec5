package report

import (
	"cmp"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
)

var (
	plotParts  = regexp.MustCompile(`(?s)<svg.*?</svg>`)
	plotTitle  = regexp.MustCompile(`<title id="([^"]*)-title">(.*?)</title><desc[^>]*>(.*?)</desc>`)
	plotTexts  = regexp.MustCompile(`<text x="([^"]*)"[^>]*>(.*?)</text>`)
	plotPaths  = regexp.MustCompile(`<path d="([^"]*)"([^>]*)/>`)
	pathStroke = regexp.MustCompile(` stroke="([^"]*)"`)
	pathPlaces = regexp.MustCompile(`[ML](-?[0-9.]+),(-?[0-9.]+)`)
)

// outline tells of a plot what a person would: its words, from left to right,
// and of every colour how many lines there are and where they lie, in whole
// points of the drawing. The last digits of the coordinates, which depend on
// the processor, are left out.
func outline(svg string) string {
	var b strings.Builder
	head := plotTitle.FindStringSubmatch(svg)
	fmt.Fprintf(&b, "%s: %s\n  %s\n", head[1], head[2], head[3])
	texts := plotTexts.FindAllStringSubmatch(svg, -1)
	slices.SortStableFunc(texts, func(a, b []string) int { return cmp.Compare(place(a[1]), place(b[1])) })
	b.WriteString("  words:")
	for _, m := range texts {
		b.WriteString(" " + m[2])
	}
	b.WriteString("\n")
	type lines struct {
		n, places      int
		x0, x1, y0, y1 float64
	}
	colours := map[string]*lines{}
	var order []string
	for _, m := range plotPaths.FindAllStringSubmatch(svg, -1) {
		stroke := pathStroke.FindStringSubmatch(m[2])
		if stroke == nil {
			continue
		}
		l := colours[stroke[1]]
		if l == nil {
			l = &lines{x0: math.Inf(1), y0: math.Inf(1), x1: math.Inf(-1), y1: math.Inf(-1)}
			colours[stroke[1]], order = l, append(order, stroke[1])
		}
		l.n++
		for _, p := range pathPlaces.FindAllStringSubmatch(m[1], -1) {
			x, y := place(p[1]), place(p[2])
			l.places++
			l.x0, l.x1, l.y0, l.y1 = min(l.x0, x), max(l.x1, x), min(l.y0, y), max(l.y1, y)
		}
	}
	for _, c := range order {
		l := colours[c]
		fmt.Fprintf(&b, "  %s: %d lines through %d places, x %.0f..%.0f, y %.0f..%.0f\n", c, l.n, l.places, l.x0, l.x1, l.y0, l.y1)
	}
	return b.String()
}

func place(text string) float64 {
	v, err := strconv.ParseFloat(text, 64)
	if err != nil {
		return math.NaN()
	}
	return v
}

// The plots of the golden report, as outlines.
func TestPlotsAreAsRecorded(t *testing.T) {
	var b strings.Builder
	for _, svg := range plotParts.FindAllString(string(outputs(t, hatchery(), hatcheryClock(), hatcherySeries)["html"]), -1) {
		b.WriteString(outline(svg))
	}
	file := filepath.Join("..", "..", "..", "testdata", "report", "hatchery-plots.txt")
	if *record {
		if err := os.WriteFile(file, []byte(b.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if got := b.String(); got != string(want) {
		t.Errorf("%s differs; run with -record and review the diff:\n%s", file, got)
	}
}
