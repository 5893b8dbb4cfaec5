package page

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"go.yaml.in/yaml/v4"

	"tickover/model"
)

type object = map[string]any

func description(t *testing.T) object {
	t.Helper()
	var doc object
	if err := yaml.Unmarshal(openAPI, &doc); err != nil {
		t.Fatal(err)
	}
	return doc
}

// Every address that the handlers know is described, and the other way round.
func TestEveryAddressIsDescribed(t *testing.T) {
	var routed []string
	files, err := filepath.Glob("*.go")
	if err != nil {
		t.Fatal(err)
	}
	route := regexp.MustCompile(`HandleFunc\("(GET|POST) (/api/[^"]+)"`)
	for _, file := range files {
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range route.FindAllStringSubmatch(string(text), -1) {
			if !strings.HasSuffix(file, "_test.go") {
				routed = append(routed, strings.ToLower(m[1])+" "+m[2])
			}
		}
	}
	var described []string
	for path, item := range description(t)["paths"].(object) {
		for verb := range item.(object) {
			described = append(described, verb+" "+path)
		}
	}
	slices.Sort(routed)
	slices.Sort(described)
	if len(routed) < 15 || !slices.Equal(routed, described) {
		t.Errorf("routed:\n%s\ndescribed:\n%s", strings.Join(routed, "\n"), strings.Join(described, "\n"))
	}
}

func (*fakeRecord) Compare(context.Context, string, string) (model.Comparison, error) {
	return model.Comparison{Before: "1", After: "2", Differences: []model.Difference{{What: "oil pressure", Words: "lower by 0.2 bar", From: 3.2, To: 3.0, Unit: "bar", Weight: 3}}}, nil
}

// What the handlers answer is what is described, in good and in bad times.
func TestAnswersAreAsDescribed(t *testing.T) {
	doc := description(t)
	failing := hatchery().alarmed()
	failing.snap.Readings[model.OilPressure] = model.Reading{Sample: model.BadSample(model.OilPressure, model.NoAnswer)}
	failing.snap.Clock = model.Clock{}
	empty := hatchery()
	empty.list, empty.events, empty.snap = nil, nil, &model.Snapshot{At: now}
	unread := hatchery()
	unread.snap = nil
	for name, s := range map[string]*fakeRecord{"well": hatchery(), "failing": failing, "empty": empty, "unread": unread} {
		h := New(partsOf(s), Options{TrustLocal: true, Now: func() model.Instant { return now }})
		for path, item := range doc["paths"].(object) {
			get, ok := item.(object)["get"].(object)
			if !ok || path == "/api/v1/stream" {
				continue
			}
			target := strings.NewReplacer("{id}", "last", "{other}", "1", "{number}", "1").Replace(path)
			w := ask(h, "GET", target, "")
			answer, known := get["responses"].(object)[fmt.Sprint(w.Code)].(object)
			if !known {
				t.Errorf("%s: %s answers %d, which is not described: %s", name, target, w.Code, w.Body)
				continue
			}
			schema, _ := dig(doc, answer, "content", "application/json", "schema").(object)
			if schema == nil {
				continue
			}
			var v any
			if err := json.Unmarshal(w.Body.Bytes(), &v); err != nil {
				t.Errorf("%s: %s: %v", name, target, err)
				continue
			}
			for _, wrong := range mismatches(doc, schema, v, target) {
				t.Errorf("%s: %s", name, wrong)
			}
		}
	}
}

func TestWritingAnswersAreAsDescribed(t *testing.T) {
	doc := description(t)
	for _, c := range []struct{ path, target, body string }{
		{"/api/v1/notes", "/api/v1/notes", "text=x&who=a"}, {"/api/v1/remarks", "/api/v1/remarks", "remark=knock"},
		{"/api/v1/clock", "/api/v1/clock", "now=2025-11-08T18:30:00Z"},
		{"/api/v1/alarms/{rule}/{act}", "/api/v1/alarms/oil.pressure.low/acknowledge", "who=a"},
	} {
		for _, token := range []string{"", "wrong", token} {
			w := ask(serve(hatchery(), Options{Token: "a long and secret word"}), "POST", c.target, c.body, "Authorization", "Bearer "+token)
			post := dig(doc, doc["paths"].(object)[c.path], "post", "responses", fmt.Sprint(w.Code))
			if post == nil {
				t.Errorf("%s answers %d, which is not described", c.target, w.Code)
				continue
			}
			var v any
			if err := json.Unmarshal(w.Body.Bytes(), &v); err != nil {
				t.Errorf("%s: %v", c.target, err)
			}
			schema, _ := dig(doc, post, "content", "application/json", "schema").(object)
			for _, wrong := range mismatches(doc, schema, v, c.target) {
				t.Error(wrong)
			}
			if w.Code != http.StatusOK && w.Code != http.StatusUnauthorized {
				t.Errorf("%s answers %d", c.target, w.Code)
			}
		}
	}
}

// dig follows keys, and references on the way; nil when there is nothing.
func dig(doc object, at any, keys ...string) any {
	for {
		o, ok := at.(object)
		if !ok {
			return at
		}
		if ref, ok := o["$ref"].(string); ok {
			at = dig(doc, doc, strings.Split(strings.TrimPrefix(ref, "#/"), "/")...)
			continue
		}
		if len(keys) == 0 {
			return o
		}
		at, keys = o[keys[0]], keys[1:]
	}
}

// mismatches tells where a value is not as its schema says.
func mismatches(doc, schema object, v any, where string) []string {
	schema, _ = dig(doc, schema).(object)
	if schema == nil {
		return nil
	}
	if kinds := typesOf(schema); len(kinds) > 0 && !slices.Contains(kinds, kindOf(v)) && !(kindOf(v) == "integer" && slices.Contains(kinds, "number")) {
		return []string{fmt.Sprintf("%s is %s, described as %v", where, kindOf(v), kinds)}
	}
	var wrong []string
	if allowed, ok := schema["enum"].([]any); ok && !slices.Contains(allowed, v) {
		wrong = append(wrong, fmt.Sprintf("%s is %v, none of %v", where, v, allowed))
	}
	switch v := v.(type) {
	case []any:
		items, _ := schema["items"].(object)
		for i, e := range v {
			wrong = append(wrong, mismatches(doc, items, e, fmt.Sprintf("%s[%d]", where, i))...)
		}
	case object:
		wrong = append(wrong, members(doc, schema, v, where)...)
	}
	return wrong
}

func members(doc, schema, v object, where string) []string {
	var wrong []string
	required, _ := schema["required"].([]any)
	for _, name := range required {
		if _, ok := v[name.(string)]; !ok {
			wrong = append(wrong, fmt.Sprintf("%s has no %s", where, name))
		}
	}
	properties, _ := schema["properties"].(object)
	for name, e := range v {
		p, known := properties[name].(object)
		if !known {
			p, known = schema["additionalProperties"].(object)
		}
		if !known && schema["additionalProperties"] == false {
			wrong = append(wrong, fmt.Sprintf("%s.%s is not described", where, name))
		}
		wrong = append(wrong, mismatches(doc, p, e, where+"."+name)...)
	}
	return wrong
}

func typesOf(schema object) []string {
	switch t := schema["type"].(type) {
	case string:
		return []string{t}
	case []any:
		var all []string
		for _, k := range t {
			all = append(all, k.(string))
		}
		return all
	}
	return nil
}

func kindOf(v any) string {
	switch v := v.(type) {
	case nil:
		return "null"
	case bool:
		return "boolean"
	case string:
		return "string"
	case float64:
		if v == float64(int64(v)) {
			return "integer"
		}
		return "number"
	case []any:
		return "array"
	}
	return "object"
}
