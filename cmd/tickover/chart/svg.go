package chart

import (
	"fmt"
	"html"
	"image/color"
	"strings"
	"unicode/utf8"
)

// canvas collects the elements of a drawing. Its unit is the point (1/72 inch),
// its origin the upper left corner.
type canvas struct{ strings.Builder }

// stroke is how a line is drawn; dash is empty for a solid one.
type stroke struct {
	colour color.Color
	width  float64
	dash   string
}

// spot is a place on the canvas.
type spot struct{ x, y float64 }

// line draws through places, of which there are two at least.
func (c *canvas) line(s stroke, through ...spot) {
	fmt.Fprintf(c, `<path d="%s" fill="none" stroke="%s" stroke-width="%g"`, path(through), hex(s.colour), s.width)
	if s.dash != "" {
		fmt.Fprintf(c, ` stroke-dasharray="%s"`, s.dash)
	}
	c.WriteString("/>\n")
}

// area fills what lies between places.
func (c *canvas) area(fill color.Color, through ...spot) {
	fmt.Fprintf(c, `<path d="%sZ" fill="%s"/>`+"\n", path(through), hex(fill))
}

// The places that text is written from.
const (
	fromStart  = "start"
	fromMiddle = "middle"
	fromEnd    = "end"
)

func (c *canvas) text(at spot, anchor string, size float64, fill color.Color, text string) {
	fmt.Fprintf(c, `<text x="%s" y="%s" text-anchor="%s" font-size="%g" fill="%s">%s</text>`+"\n",
		places(at.x), places(at.y), anchor, size, hex(fill), html.EscapeString(text))
}

// element is the drawing as an element of a page: without a name space or style
// attributes, which a strict content policy forbids, in whatever sans-serif
// the reader has, and with a title and a description for those who listen.
func (c *canvas) element(width, height float64, id, title, desc string) string {
	return fmt.Sprintf(`<svg viewBox="0 0 %.5g %.5g" role="img" aria-labelledby="%s-title %s-desc" font-family="sans-serif">`+
		"\n"+`<title id="%s-title">%s</title><desc id="%s-desc">%s</desc>`+"\n%s</svg>\n",
		width, height, id, id, id, html.EscapeString(title), id, html.EscapeString(desc), c.String())
}

func path(through []spot) string {
	var b strings.Builder
	for i, s := range through {
		b.WriteByte("ML"[min(i, 1)])
		b.WriteString(places(s.x) + "," + places(s.y))
	}
	return b.String()
}

// places writes a coordinate to a hundredth of a point.
func places(v float64) string {
	return strings.TrimSuffix(strings.TrimRight(fmt.Sprintf("%.2f", v), "0"), ".")
}

func hex(c color.Color) string {
	r, g, b, _ := c.RGBA()
	return fmt.Sprintf("#%02X%02X%02X", r>>8, g>>8, b>>8)
}

// textWidth is about how wide a text is: digits of the usual sans-serifs have
// 0.56 of the size.
func textWidth(text string, size float64) float64 {
	return 0.56 * size * float64(utf8.RuneCountInString(text))
}
