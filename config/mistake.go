package config

import (
	"cmp"
	"fmt"
	"regexp"
	"slices"
	"strings"
	"unicode/utf8"
)

// mistake is one error in a configuration or profile.
type mistake struct {
	File         string // as it was named
	Line, Column int    // from 1; the column counts characters
	Source       string // the line itself
	Text         string // what is wrong
	Hint         string // what to do about it; may be empty
}

// Error returns the position and what is wrong, on one line.
func (m mistake) Error() string {
	return fmt.Sprintf("%s:%d:%d: %s", m.File, m.Line, m.Column, m.Text)
}

// Format returns the position, what is wrong, the line with a caret under the
// place, and the hint, each line ended.
func (m mistake) Format() string {
	var b strings.Builder
	number := fmt.Sprint(m.Line)
	margin := strings.Repeat(" ", len(number))
	fmt.Fprintf(&b, "%s\n", m.Error())
	fmt.Fprintf(&b, "  %s | %s\n", number, masked(m.Source))
	fmt.Fprintf(&b, "  %s | %s^\n", margin, indent(m.Source, m.Column-1))
	if m.Hint != "" {
		fmt.Fprintf(&b, "  %s   %s\n", margin, m.Hint)
	}
	return b.String()
}

// Texts of a line that may be a secret: what an address has besides its host, and
// what was written as a secret in place of the name of its variable.
var (
	addressText = regexp.MustCompile(`https?://[^\s"',}\]]+`)
	secretText  = regexp.MustCompile(
		`(?:password|bearer|sign|value|url|webhook|alertmanager) from: *[^\s,}\]]+`)
)

// masked is the line as it may be shown and logged. It is as wide as before.
func masked(line string) string {
	line = addressText.ReplaceAllStringFunc(line, func(address string) string {
		scheme, rest, _ := strings.Cut(address, "://")
		host, path, _ := strings.Cut(rest, "/")
		user := ""
		if at := strings.LastIndexByte(host, '@'); at >= 0 {
			user, host = stars(host[:at])+"@", host[at+1:]
		}
		if len(rest) > len(user)+len(host) {
			path = "/" + stars(path)
		}
		return scheme + "://" + user + host + path
	})
	return secretText.ReplaceAllStringFunc(line, func(pair string) string {
		key, value, _ := strings.Cut(pair, ":")
		name := strings.TrimLeft(value, " ")
		if environmentName.MatchString(name) {
			return pair
		}
		return key + ":" + value[:len(value)-len(name)] + stars(name)
	})
}

func stars(text string) string { return strings.Repeat("*", utf8.RuneCountInString(text)) }

// indent is as wide as the first n characters of the line: tabs stay tabs, so
// that the caret is below its place on any terminal.
func indent(line string, n int) string {
	var b strings.Builder
	for _, r := range line {
		if n--; n < 0 {
			break
		}
		if r != '\t' {
			r = ' '
		}
		b.WriteRune(r)
	}
	return b.String()
}

// Mistakes is everything wrong at once, in the order of the files. It is the
// error that Load and Parse return for a file they could read.
type Mistakes []mistake

// Error returns all mistakes with their lines, carets and hints.
func (ms Mistakes) Error() string {
	parts := make([]string, len(ms))
	for i, m := range ms {
		parts[i] = m.Format()
	}
	return strings.TrimSuffix(strings.Join(parts, "\n"), "\n")
}

// sorted orders the mistakes by file as first met, then by place, and drops
// those said twice (a profile used by two devices is read twice).
func (ms Mistakes) sorted() Mistakes {
	order := map[string]int{}
	for _, m := range ms {
		if _, met := order[m.File]; !met {
			order[m.File] = len(order)
		}
	}
	slices.SortStableFunc(ms, func(a, b mistake) int {
		return cmp.Or(cmp.Compare(order[a.File], order[b.File]), cmp.Compare(a.Line, b.Line),
			cmp.Compare(a.Column, b.Column))
	})
	return slices.Compact(ms)
}
