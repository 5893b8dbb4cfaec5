package chart

import (
	"slices"
	"strings"
	"testing"
)

// What leaves the window is cut off at its edge, where the line crosses it.
func TestLinesAreCutAtTheEdges(t *testing.T) {
	for name, c := range map[string]struct {
		line []point
		want [][]point
	}{
		"inside":         {[]point{{0, 1}, {1, 9}}, [][]point{{{0, 1}, {1, 9}}}},
		"out and back":   {[]point{{0, 5}, {1, 15}, {2, 5}}, [][]point{{{0, 5}, {0.5, 10}}, {{1.5, 10}, {2, 5}}}},
		"right through":  {[]point{{0, -10}, {1, 20}}, [][]point{{{1. / 3, 0}, {2. / 3, 10}}}},
		"outside":        {[]point{{0, 11}, {1, 12}}, nil},
		"on the edge":    {[]point{{0, 10}, {1, 10}}, [][]point{{{0, 10}, {1, 10}}}},
		"one point":      {[]point{{3, 4}}, [][]point{{{3, 4}}}},
		"one point lost": {[]point{{3, 14}}, nil},
	} {
		got := clipped(c.line, 0, 10)
		if !slices.EqualFunc(got, c.want, slices.Equal[[]point]) {
			t.Errorf("%s: %v, want %v", name, got, c.want)
		}
	}
}

// Names of units and sensors come from a configuration: none ends an element.
func TestTextInDrawingsIsEscaped(t *testing.T) {
	var c canvas
	c.text(spot{1, 2.345}, fromEnd, 8, grey(0), `<b>&"`)
	got := c.element(10, 20, "id", "<title>", "a&b")
	for _, want := range []string{`<text x="1" y="2.35" text-anchor="end" font-size="8" fill="#000000">&lt;b&gt;&amp;&#34;</text>`, "&lt;title&gt;", "a&amp;b", `viewBox="0 0 10 20"`} {
		if !strings.Contains(got, want) {
			t.Errorf("%q is missing in\n%s", want, got)
		}
	}
}
