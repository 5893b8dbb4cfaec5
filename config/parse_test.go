package config

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"unicode/utf8"

	"pgregory.net/rapid"

	"tickover/model"
)

func FuzzParse(f *testing.F) {
	for _, pattern := range []string{"../testdata/config/*.yaml", badFolder + "/*.yaml",
		"profiles/*.yaml"} {
		files, err := filepath.Glob(pattern)
		if err != nil || len(files) == 0 {
			f.Fatal(pattern, err)
		}
		for _, file := range files {
			text, err := os.ReadFile(file)
			if err != nil {
				f.Fatal(err)
			}
			f.Add(text)
		}
	}
	for _, text := range []string{"\xff\xfea\x00", "a: \x01", "a: \"\u0085\n\u2028b",
		"\ufefflines:", "? [a]\n: b", "a: &a [*a]", "a:\r\n\tb"} {
		f.Add([]byte(text))
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		c, err := Parse("fuzz.yaml", text)
		if err == nil {
			checkSound(t, c)
			return
		}
		var ms Mistakes
		if !errors.As(err, &ms) || len(ms) == 0 || c != nil {
			t.Fatalf("%+v, %v", c, err)
		}
		lines := strings.Split(strings.TrimSuffix(string(text), "\n"), "\n")
		for _, m := range ms {
			if m.Text == "" || m.Line < 1 || m.Column < 1 ||
				m.Column > utf8.RuneCountInString(m.Source)+1 {
				t.Fatalf("%+v", m)
			}
			if m.File == "fuzz.yaml" && m.Line > len(lines) {
				t.Fatalf("%+v in %d lines", m, len(lines))
			}
		}
	})
}

// checkSound holds what every accepted configuration promises.
func checkSound(t *testing.T, c *Config) {
	t.Helper()
	seen := map[model.PointID]bool{}
	for _, d := range c.Setup.Devices {
		if d.Unit < 1 || d.Unit > 247 || len(d.Points) == 0 {
			t.Fatalf("%+v", d)
		}
		for _, p := range d.Points {
			if seen[p.ID] || p.Quantity == model.NoQuantity || p.Register.Span() > 65536 ||
				p.Device != d.Name {
				t.Fatalf("%+v", p)
			}
			if r := p.Register.Resolution; r != (model.Resolution{}) && !r.Known() {
				t.Fatalf("%+v", p)
			}
			seen[p.ID] = true
		}
	}
}

func TestCaretStandsUnderThePlace(t *testing.T) {
	for _, c := range []struct{ source, caret string }{
		{"a: b", "   ^"}, {"\t: b", "\t  ^"}, {"°: b", "   ^"},
	} {
		m := mistake{File: "f", Line: 1, Column: 4, Source: c.source, Text: "wrong"}
		want := "f:1:4: wrong\n  1 | " + c.source + "\n    | " + c.caret + "\n"
		if got := m.Format(); got != want {
			t.Errorf("got:\n%swant:\n%s", got, want)
		}
	}
}

func TestNearest(t *testing.T) {
	known := []string{"every", "timeout", "max registers", "unit"}
	for word, want := range map[string]string{"evry": "every", "Every": "every",
		"tiemout": "timeout", "max register": "max registers", "nuit": "unit", "colour": "",
		"": ""} {
		if got := nearest(word, known); got != want {
			t.Errorf("%q: %q, want %q", word, got, want)
		}
	}
}

func TestSlipsIsADistance(t *testing.T) {
	word := rapid.StringMatching(`[a-d]{0,6}`)
	rapid.Check(t, func(t *rapid.T) {
		a, b := word.Draw(t, "a"), word.Draw(t, "b")
		d := slips(a, b)
		longest := max(len(a), len(b))
		if d != slips(b, a) || (d == 0) != (a == b) || d > longest ||
			d < longest-min(len(a), len(b)) {
			t.Fatalf("%d, %d", d, slips(b, a))
		}
	})
	// One exchange of neighbours is one slip, where plain edit distance says two.
	if slips("buad", "baud") != 1 || slips("kitten", "sitting") != 3 {
		t.Error(slips("buad", "baud"), slips("kitten", "sitting"))
	}
}

func TestReferencesRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := model.Register{Table: model.Table(rapid.IntRange(0, 3).Draw(t, "table")),
			Address: rapid.Uint16().Draw(t, "address")}
		table, address, ok := referenced(r.Reference())
		if !ok || table != r.Table || address != r.Address {
			t.Fatalf("%s is %v %d %v", r.Reference(), table, address, ok)
		}
	})
}

func TestProfileThatIsNoFile(t *testing.T) {
	for _, path := range []string{"/dev/zero", "/", "/nowhere/x.yaml"} {
		_, err := Parse("x.yaml",
			[]byte("lines: [{name: a, serial: /dev/a}]\ndevices: [{name: d, line: a, unit: 1, "+
				"profile: "+path+"}]\n"))
		var ms Mistakes
		if !errors.As(err, &ms) || !strings.Contains(ms[0].Text, "cannot be read") {
			t.Errorf("%s: %v", path, err)
		}
	}
}
