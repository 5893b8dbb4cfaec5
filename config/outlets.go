package config

import (
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"time"

	"go.yaml.in/yaml/v4"

	"tickover/model"
)

// outletKeys are the top-level keys that say where readings and alarms go.
var outletKeys = []string{"remote write", "mqtt", "notify", "hook"}

// ParseOutlets reads a text that holds nothing but outlets, as a demonstration
// takes them. The error is Mistakes.
func ParseOutlets(name string, text []byte) (model.Outlets, error) {
	r := &parser{folder: filepath.Dir(name)}
	s := newSourceText(name, text, &r.found)
	var o model.Outlets
	if doc := s.document(text); doc != nil {
		if top, ok := s.section(doc, "the file of outlets", outletKeys...); ok {
			o = r.outlets(top)
		}
	}
	if len(r.found) > 0 {
		return model.Outlets{}, r.found.sorted()
	}
	return o, nil
}

// outlets reads everything that goes out, names first so that others may
// refer to them.
func (r *parser) outlets(top section) model.Outlets {
	var o model.Outlets
	seen := nameSet{}
	for _, n := range top.items("remote write") {
		if w, sec, ok := r.remoteWrite(top.sourceText, n); ok {
			seen.again(sec.sourceText, sec.at("name"), "outlets", w.Name)
			o.RemoteWrite = append(o.RemoteWrite, w)
		}
	}
	for _, n := range top.items("mqtt") {
		if m, sec, ok := r.broker(top.sourceText, n); ok {
			seen.again(sec.sourceText, sec.at("name"), "outlets", m.Name)
			o.MQTT = append(o.MQTT, m)
		}
	}
	if n := top.values["notify"]; n != nil {
		r.notify(top.sourceText, n, &o, seen)
	}
	if n := top.values["hook"]; n != nil {
		o.Hook = r.hook(top.sourceText, n)
	}
	return o
}

func (r *parser) remoteWrite(s *sourceText, n *yaml.Node) (model.RemoteWrite, section, bool) {
	known := slices.Concat([]string{"name", "url", "url file", "url from", "labels", "oldest",
		"every", "samples a second", "samples a request"}, accessKeys)
	sec, ok := s.section(n, "the remote write", known...)
	if !ok {
		return model.RemoteWrite{}, sec, false
	}
	sec.need("name")
	sec.needAddress("url")
	w := model.RemoteWrite{Name: sec.name("name"), Access: r.access(sec),
		Oldest: sec.duration("oldest", time.Minute, 3650*24*time.Hour),
		Every:  sec.duration("every", time.Second, time.Hour)}
	w.URL, w.Address = r.address(sec, "url", w.Access)
	w.PerSecond, _ = sec.whole("samples a second", 10, 10000000)
	w.PerRequest, _ = sec.whole("samples a request", 100, 100000)
	if n := sec.values["labels"]; n != nil {
		w.Labels = s.labels(n)
	}
	return w, sec, true
}

var labelName = regexp.MustCompile(`^[a-zA-Z_][a-zA-Z0-9_]*$`)

// takenLabels are the labels that the series have of their own.
var takenLabels = []string{"phase", "phases", "point", "state", "alarm", "priority"}

// labels reads a mapping of label names to values.
func (s *sourceText) labels(n *yaml.Node) []model.Label {
	if n.Kind != yaml.MappingNode {
		s.wrong(n, "write them below, one per line, as name: value", "labels need names and values")
		return nil
	}
	var all []model.Label
	seen := nameSet{}
	for i := 0; i+1 < len(n.Content); i += 2 {
		name, at := n.Content[i].Value, n.Content[i]
		value, ok := s.scalar(n.Content[i+1], "the label")
		seen.again(s, at, "labels", name)
		switch {
		case !labelName.MatchString(name) || strings.HasPrefix(name, "__"):
			s.wrong(at, "use letters, digits and _, no digit first and no __",
				"%q is not a valid label name", name)
		case slices.Contains(takenLabels, name):
			s.wrong(at, "choose another name", "the label %q is reserved", name)
		case ok:
			all = append(all, model.Label{Name: name, Value: value})
		}
	}
	return all
}

func (r *parser) broker(s *sourceText, n *yaml.Node) (model.MQTT, section, bool) {
	known := slices.Concat([]string{"name", "broker", "tls", "client", "prefix", "discovery",
		"every", "expire"}, tlsKeys, userKeys)
	sec, ok := s.section(n, "the mqtt outlet", known...)
	if !ok {
		return model.MQTT{}, sec, false
	}
	sec.need("name", "broker")
	m := model.MQTT{Name: sec.name("name"), Broker: sec.hostPort("broker", "host:1883"),
		Secure: sec.yes("tls"), Access: r.access(sec),
		Client: sec.textOf("client"), Prefix: sec.topic("prefix"),
		Discovery: sec.topic("discovery"),
		Every:     sec.duration("every", time.Second, time.Hour),
		Expire:    sec.duration("expire", 5*time.Second, 24*time.Hour)}
	if m.Access.TLS != (model.TLS{}) && !m.Secure {
		sec.wrong(sec.node, "add tls: yes",
			"certificates are set, but the connection is not encrypted")
	}
	if m.Expire > 0 && m.Expire < 2*m.Every {
		sec.wrong(sec.at("expire"), "use at least twice \"every\"",
			"values would expire before the next update")
	}
	return m, sec, true
}

// topic reads the first level, or levels, of topics.
func (s section) topic(key string) string {
	t, ok := s.text(key)
	if ok && (strings.ContainsAny(t, "+#\x00 ") || strings.HasPrefix(t, "/") ||
		strings.HasSuffix(t, "/") || strings.HasPrefix(t, "$")) {
		s.wrong(s.at(key), "write it as one/two, without + # $ and spaces",
			"%q is not a valid topic prefix", t)
		return ""
	}
	return t
}

func (r *parser) hook(s *sourceText, n *yaml.Node) model.Hook {
	sec, ok := s.section(n, "the hook", "command", "priority", "timeout")
	if !ok || !sec.need("command") {
		return model.Hook{}
	}
	h := model.Hook{Least: model.Critical,
		Timeout: sec.duration("timeout", 100*time.Millisecond, 5*time.Minute)}
	if sec.values["priority"] != nil {
		h.Least = model.Priority(sec.choice("priority",
			[]string{"information", "warning", "critical"}))
	}
	h.Command, _ = sec.list("command")
	if len(h.Command) > 0 && !strings.HasPrefix(h.Command[0], "/") {
		sec.wrong(sec.at("command"),
			"write the full path and each argument, such as [/usr/local/bin/horn, loud]; no "+
				"shell is involved",
			"%q is not the path of a program", h.Command[0])
	}
	return h
}
