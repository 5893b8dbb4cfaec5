package chart

import (
	"bytes"
	"fmt"
	"html"
	"regexp"
	"strings"

	"gonum.org/v1/plot/vg/vgsvg"
)

var (
	styleAttribute = regexp.MustCompile(`\s*style="([^"]*)"`)
	preamble       = regexp.MustCompile(`(?s)^.*?<svg[^>]*>`)
)

// inline turns a drawing into an element of the page: no prologue and no name
// spaces, style attributes as plain attributes (a strict content policy
// forbids the former), text in whatever sans-serif the reader has, and a title
// and a description for those who listen.
func inline(canvas *vgsvg.Canvas, c *chart) (string, error) {
	var b bytes.Buffer
	if _, err := canvas.WriteTo(&b); err != nil {
		return "", fmt.Errorf("draw %s: %w", c.title, err)
	}
	head := fmt.Sprintf(`<svg viewBox="0 0 %.5g %.5g" role="img" aria-labelledby="%s-title %s-desc" font-family="sans-serif">`+
		"\n"+`<title id="%s-title">%s</title><desc id="%s-desc">%s</desc>`,
		c.size.width().Points(), c.size.height().Points(), c.id, c.id, c.id, html.EscapeString(c.title), c.id, html.EscapeString(c.desc))
	body := preamble.ReplaceAllLiteralString(b.String(), "")
	return head + styleAttribute.ReplaceAllStringFunc(body, attributes), nil
}

func attributes(style string) string {
	style = styleAttribute.FindStringSubmatch(style)[1]
	var b strings.Builder
	for part := range strings.SplitSeq(style, ";") {
		name, value, _ := strings.Cut(part, ":")
		switch name {
		case "", "font-family", "font-variant", "font-weight", "font-style":
			continue
		}
		fmt.Fprintf(&b, ` %s="%s"`, name, value)
	}
	return b.String()
}
