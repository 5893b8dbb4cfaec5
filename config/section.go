package config

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"go.yaml.in/yaml/v4"

	"tickover/model"
)

// section is one mapping being read: its known keys with their values. Reading
// a key that is not there gives the zero value and no mistake; see need.
type section struct {
	*sourceText
	what   string // in words, for messages: "the device"
	node   *yaml.Node
	values map[string]*yaml.Node
	// misspelt holds the keys that an unknown key was probably meant to be:
	// their absence is no second mistake.
	misspelt map[string]bool
}

// section reads a mapping, noting keys it does not know and keys given twice.
func (s *sourceText) section(n *yaml.Node, what string, known ...string) (section, bool) {
	sec := section{s, what, n, map[string]*yaml.Node{}, map[string]bool{}}
	if n.Kind != yaml.MappingNode {
		s.wrong(n, "write its keys below it, one per line, as key: value",
			"%s needs keys and values here", what)
		return sec, false
	}
	for i := 0; i+1 < len(n.Content); i += 2 {
		key, value := n.Content[i], n.Content[i+1]
		switch {
		case key.Kind != yaml.ScalarNode:
			s.wrong(key, "write a word and a colon", "a key must be a plain word")
		case !slices.Contains(known, key.Value):
			s.wrong(key, didYouMean(key.Value, known), "%s has no key %q", what, key.Value)
			sec.misspelt[nearest(key.Value, known)] = true
		case sec.values[key.Value] != nil:
			s.wrong(key, fmt.Sprintf("the first is in line %d: keep one",
				sec.values[key.Value].Line), "%q is given twice", key.Value)
		default:
			sec.values[key.Value] = value
		}
	}
	return sec, true
}

// need notes which of the keys are missing.
func (s section) need(keys ...string) bool {
	all := true
	for _, k := range keys {
		if s.values[k] != nil {
			continue
		}
		all = false
		if !s.misspelt[k] {
			s.wrong(s.node,
				"add "+k+": "+cmp.Or(map[string]string{"priority": "information, warning or " +
					"critical"}[k], "..."), "%s needs %q", s.what, k)
		}
	}
	return all
}

// at is where to point for a key: its value, or the section without it.
func (s section) at(key string) *yaml.Node {
	if n := s.values[key]; n != nil {
		return n
	}
	return s.node
}

// scalar reads a node as words; false, with the mistake noted, when it is none.
func (s *sourceText) scalar(n *yaml.Node, what string) (string, bool) {
	switch {
	case n.Kind == yaml.AliasNode:
		s.wrong(n, "write the value out", "references (*%s) are not supported", n.Value)
	case n.Kind != yaml.ScalarNode:
		s.wrong(n, "write one value", "%s is one value, not a list or a section", what)
	case strings.TrimSpace(n.Value) == "" || n.Tag == "!!null":
		s.wrong(n, "add a value or remove this line", "%s has no value", what)
	default:
		return n.Value, true
	}
	return "", false
}

// text reads words.
func (s section) text(key string) (string, bool) {
	n := s.values[key]
	if n == nil {
		return "", false
	}
	return s.scalar(n, strconv.Quote(key))
}

func (s section) textOf(key string) string {
	t, _ := s.text(key)
	return t
}

var octalLooking = regexp.MustCompile(`^[+-]?0([0-9]|[oO])`)

// plainNumber refuses numbers that one reader takes for octal and another not.
func (s *sourceText) plainNumber(n *yaml.Node, text string) bool {
	if !octalLooking.MatchString(strings.TrimSpace(text)) {
		return true
	}
	s.wrong(n, "write it without leading zeros, in decimal", "%q looks like an octal number", text)
	return false
}

// value reads a value with its unit.
func (s section) value(key string, q model.Quantity) (float64, bool) {
	t, ok := s.text(key)
	if !ok || !s.plainNumber(s.at(key), t) {
		return 0, false
	}
	v, err := model.ParseValue(t, q)
	if err != nil {
		s.refused(s.at(key), err)
		return 0, false
	}
	return v, true
}

// within reads a value that must lie in lo..hi, canonical unit.
func (s section) within(key string, q model.Quantity, lo, hi float64) float64 {
	v, ok := s.value(key, q)
	if !ok {
		return 0
	}
	if v < lo || v > hi {
		s.wrong(s.at(key), fmt.Sprintf("use a value between %s and %s", plainText(lo, q),
			plainText(hi, q)), "%q cannot be %s", key, s.values[key].Value)
		return 0
	}
	return v
}

// difference reads a difference of two values, 0 or more.
func (s section) difference(key string, q model.Quantity) float64 {
	t, ok := s.text(key)
	if !ok || !s.plainNumber(s.at(key), t) {
		return 0
	}
	v, err := model.ParseDifference(t, q)
	switch {
	case err != nil:
		s.refused(s.at(key), err)
	case v < 0:
		s.wrong(s.at(key), "write the difference without a sign", "%q cannot be negative", key)
	default:
		return v
	}
	return 0
}

// duration reads a time between lo and hi.
func (s section) duration(key string, lo, hi time.Duration) time.Duration {
	v, ok := s.value(key, model.Duration)
	if !ok {
		return 0
	}
	if v < lo.Seconds() || v > hi.Seconds() {
		s.wrong(s.at(key), fmt.Sprintf("use a value between %s and %s", durationText(lo),
			durationText(hi)), "%q cannot be %s", key, s.values[key].Value)
		return 0
	}
	return time.Duration(math.Round(v * 1e9))
}

// plainText writes a value in its canonical unit without powers of ten, a ratio in
// percent.
func plainText(v float64, q model.Quantity) string {
	if q == model.Ratio {
		return strconv.FormatFloat(100*v, 'f', -1, 64) + " %"
	}
	return strings.TrimSpace(strconv.FormatFloat(v, 'f', -1, 64) + " " + q.Unit())
}

// durationText writes a time in the largest unit that leaves a whole number.
func durationText(d time.Duration) string {
	for _, u := range []struct {
		size time.Duration
		name string
	}{{time.Hour, "h"}, {time.Minute, "min"}, {time.Second, "s"}} {
		if d >= u.size && d%u.size == 0 {
			return fmt.Sprintf("%d %s", d/u.size, u.name)
		}
	}
	return fmt.Sprintf("%g ms", float64(d)/1e6)
}

// whole reads a whole number between lo and hi.
func (s section) whole(key string, lo, hi int) (int, bool) {
	t, ok := s.text(key)
	if !ok || !s.plainNumber(s.at(key), t) {
		return 0, false
	}
	v, err := wholeNumber(t)
	if err != nil {
		s.wrong(s.at(key), "write it in decimal, or in hexadecimal with 0x",
			"%q is not a whole number", t)
		return 0, false
	}
	if v < lo || v > hi {
		s.wrong(s.at(key), fmt.Sprintf("use a value between %d and %d", lo, hi), "%q cannot be %s",
			key, t)
		return 0, false
	}
	return v, true
}

// wholeNumber reads a decimal or a hexadecimal with 0x.
func wholeNumber(t string) (int, error) {
	t = strings.TrimSpace(t)
	if hex, ok := strings.CutPrefix(t, "0x"); ok {
		v, err := strconv.ParseUint(hex, 16, 32)
		return int(v), err
	}
	v, err := strconv.ParseInt(t, 10, 64)
	return int(v), err
}

// choice reads one of several words and returns its place, 0 when absent.
func (s section) choice(key string, names []string) int {
	t, ok := s.text(key)
	if !ok {
		return 0
	}
	for i, name := range names {
		if t == name {
			return i
		}
	}
	s.wrong(s.at(key), didYouMean(t, names), "%q cannot be %q", key, t)
	return 0
}

// yes reads yes or no; absent means no.
func (s section) yes(key string) bool {
	return s.choice(key, []string{"no", "yes", "false", "true"})%2 == 1
}

// items reads a list.
func (s section) items(key string) []*yaml.Node {
	n := s.values[key]
	if n == nil || n.Tag == "!!null" {
		return nil
	}
	if n.Kind != yaml.SequenceNode {
		s.wrong(n, "start each entry with a dash", "%q must be a list", key)
		return nil
	}
	return n.Content
}

// list reads a list of words, or one word alone.
func (s section) list(key string) (texts []string, nodes []*yaml.Node) {
	n := s.values[key]
	if n == nil {
		return nil, nil
	}
	all := []*yaml.Node{n}
	if n.Kind == yaml.SequenceNode {
		all = n.Content
	}
	for _, n := range all {
		if t, ok := s.scalar(n, strconv.Quote(key)); ok {
			texts, nodes = append(texts, t), append(nodes, n)
		}
	}
	return texts, nodes
}

// refused notes why a written value could not be read.
func (s *sourceText) refused(n *yaml.Node, err error) {
	var unit *model.UnitError
	if errors.As(err, &unit) {
		s.wrong(n, unit.Hint, "%s", unit.Error())
		return
	}
	s.wrong(n, "", "%v", err)
}
