package config

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"strings"
	"unicode/utf8"

	"go.yaml.in/yaml/v4"
)

// sourceText is one text being read. All texts of one pass share the list of mistakes.
type sourceText struct {
	name  string
	lines []string
	found *Mistakes
}

func newSourceText(name string, text []byte, found *Mistakes) *sourceText {
	lines := strings.Split(strings.TrimSuffix(string(text), "\n"), "\n")
	for i, l := range lines {
		lines[i] = strings.ToValidUTF8(strings.TrimSuffix(l, "\r"), "\uFFFD")
	}
	return &sourceText{name: name, lines: lines, found: found}
}

// mistake notes one at a place, which is moved into the text when outside.
func (s *sourceText) mistake(line, column int, text, hint string) {
	line = min(max(line, 1), len(s.lines))
	src := s.lines[line-1]
	column = min(max(column, 1), utf8.RuneCountInString(src)+1)
	*s.found = append(*s.found, mistake{s.name, line, column, src, text, hint})
}

// wrong notes a mistake at a node. hint may be empty.
func (s *sourceText) wrong(n *yaml.Node, hint, format string, args ...any) {
	s.mistake(n.Line, n.Column, fmt.Sprintf(format, args...), hint)
}

// document parses the text into its one document. It returns nil when there is
// none, with the mistake noted.
func (s *sourceText) document(text []byte) *yaml.Node {
	if i := firstInvalid(text); i >= 0 {
		line := 1 + bytes.Count(text[:i], []byte("\n"))
		s.mistake(line, 1, "this line is not UTF-8 text",
			"save the file as UTF-8; usually a degree or ohm sign is the cause")
		return nil
	}
	loader, err := yaml.NewLoader(bytes.NewReader(text))
	if err != nil {
		s.syntax(err)
		return nil
	}
	var doc, second yaml.Node
	switch err := loader.Load(&doc); {
	case errors.Is(err, io.EOF):
		s.mistake(1, 1, "the file is empty", "create one with tickover init")
		return nil
	case err != nil:
		s.syntax(err)
		return nil
	}
	if err := loader.Load(&second); err == nil {
		s.mistake(second.Line, second.Column, "a second document starts here",
			"a file contains one configuration: remove the --- line")
	} else if !errors.Is(err, io.EOF) {
		s.syntax(err)
	}
	if doc.Kind != yaml.DocumentNode || len(doc.Content) != 1 {
		s.mistake(1, 1, "the file is empty", "create one with tickover init")
		return nil
	}
	return doc.Content[0]
}

func firstInvalid(text []byte) int {
	for i := 0; i < len(text); {
		r, size := utf8.DecodeRune(text[i:])
		if r == utf8.RuneError && size == 1 {
			return i
		}
		i += size
	}
	return -1
}

// syntax notes text that is not YAML.
func (s *sourceText) syntax(err error) {
	var load *yaml.LoadError
	if !errors.As(err, &load) {
		s.mistake(1, 1, "not YAML: "+err.Error(), "")
		return
	}
	line, column := load.Mark.Line, load.Mark.Column
	text := "not YAML: " + load.Message
	if load.ContextMsg != "" {
		text += " " + load.ContextMsg
	}
	// A text that ends too early is best shown where the open part began.
	if line > len(s.lines) && load.ContextMark.Line > 0 {
		line, column = load.ContextMark.Line, load.ContextMark.Column
	}
	if line == 0 {
		line, column = s.placeOfControl()
	}
	hint := "write key: value, indented with spaces like the lines around it; check the lines " +
		"above for an open quote or bracket"
	if line > 0 && line <= len(s.lines) &&
		strings.HasPrefix(strings.TrimLeft(string(s.lines[line-1]), " "), "\t") {
		text, hint = "a tab before the key", "indent with spaces, not tabs"
	}
	s.mistake(line, column, text, hint)
}

// placeOfControl finds the first control character, which the parser refuses
// without saying where.
func (s *sourceText) placeOfControl() (line, column int) {
	for i, l := range s.lines {
		for j, r := range []rune(l) {
			if r != '\t' && (r < ' ' || r >= 0x7f && r < 0xa0 || r == 0xfffe || r == 0xffff) {
				return i + 1, j + 1
			}
		}
	}
	return 1, 1
}
