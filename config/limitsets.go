package config

import (
	"slices"

	"go.yaml.in/yaml/v4"

	"tickover/model"
)

// limitSets reads the limits of the user's own and looks whether the set is
// judged by one that is known.
func (r *parser) limitSets(s *sourceText, top section) []model.LimitSet {
	var list []model.LimitSet
	known := model.PublishedLimitSets()
	given := nameSet{}
	for _, n := range top.items("limit sets") {
		sec, ok := s.section(n, "the limit set",
			slices.Concat([]string{"name", "based on", "source"}, limitNames())...)
		if !ok || !sec.need("name") {
			continue
		}
		one := sec.limitSet(known)
		given.again(s, sec.at("name"), "limit sets", one.Name)
		known = append(known, one.Name)
		list = append(list, one)
	}
	r.judgedBy(s, top.values["set"], known)
	return list
}

func limitNames() []string {
	var list []string
	for _, l := range model.LimitSubjects() {
		list = append(list, l.Name)
	}
	return append(list, model.FrequencyTolerance, model.VoltageTolerance)
}

func (s section) limitSet(known []string) model.LimitSet {
	one := model.LimitSet{Name: s.textOf("name"), Source: s.textOf("source"),
		Limits: map[string]float64{}}
	if t, ok := s.text("based on"); ok {
		one.BasedOn = t
		if !slices.Contains(known, t) {
			s.wrong(s.at("based on"), didYouMean(t, known), "there is no limit set %q above", t)
		}
	}
	quantity := map[string]model.Quantity{}
	for _, l := range model.LimitSubjects() {
		quantity[l.Name] = l.Quantity
	}
	for _, name := range limitNames() {
		q, judged := quantity[name]
		if !judged {
			q = model.Ratio
		}
		v, ok := s.value(name, q)
		switch {
		case !ok:
		case v <= 0:
			s.wrong(s.at(name), "write the largest magnitude allowed, without a sign",
				"%q must be above 0", name)
		case q == model.Ratio && v >= 1:
			s.wrong(s.at(name), "write it with its unit, such as 4 %", "%q cannot be %s", name,
				s.textOf(name))
		default:
			one.Limits[name] = v
		}
	}
	if len(s.values) == 1 {
		s.wrong(s.at("name"), "add limits such as frequency droop: 4 %",
			"the limit set %q has no limits", one.Name)
	}
	return one
}

// judgedBy looks whether the set named by the rating is known.
func (r *parser) judgedBy(s *sourceText, set *yaml.Node, known []string) {
	if set == nil || set.Kind != yaml.MappingNode {
		return
	}
	for i := 0; i+1 < len(set.Content); i += 2 {
		if v := set.Content[i+1]; set.Content[i].Value == "judged by" &&
			v.Kind == yaml.ScalarNode && v.Value != "" && !slices.Contains(known, v.Value) {
			s.wrong(v, didYouMean(v.Value, known), "there is no limit set %q", v.Value)
		}
	}
}
