package config

import (
	"strings"

	"go.yaml.in/yaml/v4"

	"tickover/model"
)

// mostFact bounds a fact of the machine card, in bytes.
const mostFact = 500

// machine reads the machine card: any names, each with its words or a list of
// them, in the order written.
func (s section) machine() []model.Fact {
	n := s.values["machine"]
	if n == nil {
		return nil
	}
	if n.Kind != yaml.MappingNode {
		s.wrong(n, "write a name and a text on each line, such as engine serial number: 4711",
			"the machine card needs keys and values here")
		return nil
	}
	var facts []model.Fact
	seen := nameSet{}
	for i := 0; i+1 < len(n.Content); i += 2 {
		key, value := n.Content[i], n.Content[i+1]
		seen.again(s.sourceText, key, "facts", key.Value)
		if text, ok := s.fact(value); ok {
			facts = append(facts, model.Fact{Name: strings.TrimSpace(key.Value), Text: text})
		}
	}
	return facts
}

func (s section) fact(n *yaml.Node) (string, bool) {
	if n.Kind == yaml.SequenceNode {
		var parts []string
		for _, item := range n.Content {
			t, ok := s.scalar(item, "a fact")
			if !ok {
				return "", false
			}
			parts = append(parts, strings.TrimSpace(t))
		}
		return strings.Join(parts, "; "), len(parts) > 0
	}
	t, ok := s.scalar(n, "a fact")
	if ok && len(t) > mostFact {
		s.wrong(n, "keep it shorter", "a fact has at most %d bytes", mostFact)
		return "", false
	}
	return strings.TrimSpace(t), ok
}
