package config

import (
	"slices"
	"strings"
	"time"

	"go.yaml.in/yaml/v4"

	"tickover/model"
)

// notify reads the targets and routes of notifications.
func (r *parser) notify(s *sourceText, n *yaml.Node, o *model.Outlets, seen nameSet) {
	sec, ok := s.section(n, "notify", "targets", "routes", "heartbeat", "check in")
	if !ok {
		return
	}
	for _, n := range sec.items("targets") {
		if t, at, ok := r.target(s, n, o); ok {
			seen.again(s, at, "outlets", t.Name)
			o.Targets = append(o.Targets, t)
		}
	}
	for _, n := range sec.items("routes") {
		if route, ok := r.route(s, n, o.Targets); ok {
			o.Routes = append(o.Routes, route)
		}
	}
	if len(o.Targets) > 0 && len(sec.items("routes")) == 0 && !sec.misspelt["routes"] {
		sec.wrong(sec.at("targets"), "add routes: [{priority: warning, to: [...]}]",
			"no route uses the targets")
	}
	if n := sec.values["heartbeat"]; n != nil {
		o.Heartbeat = r.heartbeat(s, n)
	}
	if n := sec.values["check in"]; n != nil {
		o.CheckIn = r.checkIn(s, n, o.Targets)
	}
}

// targetKinds are the keys of a target's address, in the order of
// model.TargetKind.
var targetKinds = []string{"webhook", "mail", "alertmanager", "mqtt"}

func (r *parser) target(s *sourceText, n *yaml.Node, o *model.Outlets) (model.Target, *yaml.Node,
	bool) {
	known := slices.Concat([]string{"name"}, targetKinds, addressKeys("webhook")[1:],
		addressKeys("alertmanager")[1:],
		[]string{"from", "to", "security", "sign file", "sign from"}, accessKeys)
	sec, ok := s.section(n, "the target", known...)
	if !ok {
		return model.Target{}, nil, false
	}
	sec.need("name")
	t := model.Target{Name: sec.name("name"), Access: r.access(sec), Sign: r.secret(sec, "sign")}
	given := 0
	for kind, key := range targetKinds {
		if !slices.ContainsFunc(addressKeys(key),
			func(k string) bool { return sec.values[k] != nil }) {
			continue
		}
		if given++; given > 1 {
			sec.wrong(sec.at(key), "make two targets", "a target can have only one address")
			continue
		}
		t.Kind = model.TargetKind(kind)
		r.reachTarget(sec, &t, o)
	}
	if given == 0 {
		sec.wrong(sec.node,
			"add one of webhook: URL; mail: host:port; alertmanager: URL; mqtt: OUTLET",
			"the target has no address")
	}
	return t, sec.at("name"), given == 1
}

func (r *parser) reachTarget(s section, t *model.Target, o *model.Outlets) {
	key := targetKinds[t.Kind]
	foreign := []string{"from", "to", "security"}
	switch t.Kind {
	case model.Mail:
		s.mail(t)
		foreign = []string{"bearer file", "bearer from", "headers"}
	case model.Broker:
		t.Outlet = s.textOf(key)
		var known []string
		for _, m := range o.MQTT {
			known = append(known, m.Name)
		}
		if !slices.Contains(known, t.Outlet) {
			s.wrong(s.at(key), didYouMeanOr(t.Outlet, known, "add it below mqtt:"),
				"there is no mqtt outlet %q", t.Outlet)
		}
		foreign = append(foreign, accessKeys...)
	default:
		t.URL, t.Address = r.address(s, key, t.Access)
	}
	if t.Kind != model.Webhook {
		foreign = append(foreign, "sign file", "sign from")
	}
	for _, k := range foreign {
		if s.values[k] != nil {
			s.wrong(s.at(k), "remove this line", "%q cannot be used with %q", k, key)
		}
	}
}

func (s section) mail(t *model.Target) {
	s.need("from", "to")
	t.Server = s.hostPort("mail", "mail.example:587")
	t.Security = model.Security(s.choice("security", []string{"starttls", "tls", "none"}))
	t.From = s.textOf("from")
	to, nodes := s.list("to")
	t.To = to
	if s.values["from"] != nil && !mailAddress(t.From) {
		s.wrong(s.at("from"), "write it as name@host", "%q is not a mail address", t.From)
	}
	for i, a := range to {
		if !mailAddress(a) {
			s.wrong(nodes[i], "write it as name@host", "%q is not a mail address", a)
		}
	}
	if t.Security == model.PlainText && t.Access.User != "" && t.Server != "" &&
		!Loopback(hostOf(t.Server)) {
		s.wrong(s.at("security"), "use starttls or tls",
			"the password would be sent unencrypted to %s", t.Server)
	}
}

// mailAddress takes plain addresses only, nothing that could break a line.
func mailAddress(a string) bool {
	name, host, ok := strings.Cut(a, "@")
	return ok && name != "" && host != "" && !strings.ContainsAny(a, "<>,; \t\r\n\"") &&
		!strings.Contains(host, "@")
}

func (r *parser) route(s *sourceText, n *yaml.Node, targets []model.Target) (model.Route, bool) {
	sec, ok := s.section(n, "the route", "priority", "to", "second", "patience")
	if !ok {
		return model.Route{}, false
	}
	sec.need("priority", "to")
	route := model.Route{
		Least: model.Priority(sec.choice("priority",
			[]string{"information", "warning", "critical"})),
		To:       sec.targets("to", targets),
		Second:   sec.targets("second", targets),
		Patience: sec.duration("patience", 10*time.Second, 24*time.Hour),
	}
	if sec.values["patience"] != nil && sec.values["second"] == nil && !sec.misspelt["second"] {
		sec.wrong(sec.at("patience"), "add second: [...], or remove this line",
			"no one is notified when patience ends")
	}
	return route, true
}

// targets reads a list of names of targets.
func (s section) targets(key string, targets []model.Target) []string {
	var known []string
	for _, t := range targets {
		known = append(known, t.Name)
	}
	texts, nodes := s.list(key)
	for i, t := range texts {
		if !slices.Contains(known, t) {
			s.wrong(nodes[i], didYouMeanOr(t, known, "add it to the targets"),
				"there is no target %q", t)
		}
	}
	return texts
}

func (r *parser) heartbeat(s *sourceText, n *yaml.Node) model.Heartbeat {
	sec, ok := s.section(n, "the heartbeat",
		slices.Concat(addressKeys("url"), []string{"every"}, accessKeys)...)
	if !ok || !sec.needAddress("url") {
		return model.Heartbeat{}
	}
	h := model.Heartbeat{Access: r.access(sec),
		Every: sec.duration("every", 5*time.Second, time.Hour)}
	h.URL, h.Address = r.address(sec, "url", h.Access)
	return h
}

func (r *parser) checkIn(s *sourceText, n *yaml.Node, targets []model.Target) model.CheckIn {
	sec, ok := s.section(n, "check in", "every", "missed", "place", "to")
	if !ok {
		return model.CheckIn{}
	}
	c := model.CheckIn{Every: sec.duration("every", time.Minute, 4*time.Hour),
		Place: sec.textOf("place"), To: sec.targets("to", targets)}
	c.Missed, _ = sec.whole("missed", 1, 10)
	return c
}
