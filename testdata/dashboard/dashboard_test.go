// Package dashboard holds the shipped dashboard against the dashboard tool's
// own schema, and its expressions against a server that scrapes a set.
//
// It is a module of its own, so that the schema is no dependency of the
// product.
package dashboard

import (
	"encoding/json"
	"fmt"
	"net/http"
	"net/url"
	"os"
	"regexp"
	"strings"
	"testing"

	"github.com/grafana/grafana-foundation-sdk/go/cog/plugins"
	"github.com/grafana/grafana-foundation-sdk/go/dashboard"
	"github.com/grafana/grafana-foundation-sdk/go/units"
)

const shipped = "../../deploy/prometheus/dashboard.json"

func read(t *testing.T) []byte {
	t.Helper()
	text, err := os.ReadFile(shipped)
	if err != nil {
		t.Fatal(err)
	}
	return text
}

func strict(text []byte) error {
	plugins.RegisterDefaultPlugins()
	var d dashboard.Dashboard
	for _, check := range []func() error{func() error { return d.UnmarshalJSONStrict(text) }, d.Validate} {
		if err := check(); err != nil && err.Error() != "" { // the library returns an empty list for no error
			return err
		}
	}
	return nil
}

func TestTheSchemaAcceptsIt(t *testing.T) {
	text := read(t)
	if err := strict(text); err != nil {
		t.Error(err)
	}
	for old, wrong := range map[string]string{`"title"`: `"titel"`, `"schemaVersion": 39`: `"schemaVersion": "x"`} {
		if strict([]byte(strings.ReplaceAll(string(text), old, wrong))) == nil {
			t.Errorf("the schema accepts %s too: it proves nothing", wrong)
		}
	}
}

// panel is what is checked beyond the schema.
type panel struct {
	ID          int
	Title, Type string
	GridPos     struct{ X, Y, W, H int }
	FieldConfig struct{ Defaults struct{ Unit string } }
	Targets     []struct{ Expr string }
}

func panels(t *testing.T) []panel {
	t.Helper()
	var d struct{ Panels []panel }
	if err := json.Unmarshal(read(t), &d); err != nil || len(d.Panels) < 20 {
		t.Fatalf("%d panels, %v", len(d.Panels), err)
	}
	return d.Panels
}

func TestPanelsLieBesideEachOther(t *testing.T) {
	ids, cells := map[int]bool{}, map[[2]int]int{}
	for _, p := range panels(t) {
		if ids[p.ID] {
			t.Errorf("two panels have the id %d", p.ID)
		}
		ids[p.ID] = true
		if g := p.GridPos; g.X < 0 || g.W <= 0 || g.H <= 0 || g.X+g.W > 24 {
			t.Errorf("%s lies at %+v", p.Title, g)
		}
		for x := range p.GridPos.W {
			for y := range p.GridPos.H {
				at := [2]int{p.GridPos.X + x, p.GridPos.Y + y}
				if other := cells[at]; other != 0 {
					t.Fatalf("panel %d covers panel %d", p.ID, other)
				}
				cells[at] = p.ID
			}
		}
	}
}

// unitOf gives the dashboard's unit for a metric's suffix.
var unitOf = map[string]string{
	"volts": units.Volt, "amperes": units.Ampere, "hertz": units.Hertz, "watts": units.Watt, "joules": units.Joule,
	"celsius": units.Celsius, "pascals": units.Pascals, "ratio": units.PercentUnit, "seconds": units.Seconds,
	"bytes": units.BytesIEC, "second": units.RevolutionsPerMinute,
}

var metric = regexp.MustCompile(`(?:genset|tickover)_[a-z_0-9]+`)

func TestUnitsAreThoseOfTheMetrics(t *testing.T) {
	for _, p := range panels(t) {
		for _, target := range p.Targets {
			for _, name := range metric.FindAllString(target.Expr, -1) {
				if strings.HasSuffix(name, "_info") {
					continue
				}
				want, known := unitOf[name[strings.LastIndex(strings.TrimSuffix(name, "_total"), "_")+1:len(strings.TrimSuffix(name, "_total"))]]
				switch {
				case strings.HasPrefix(target.Expr, "rate("), strings.Contains(target.Expr, "(rate("):
					want = map[bool]string{true: units.PercentUnit, false: units.CountsPerSecond}[strings.Contains(name, "_seconds")]
				case strings.HasPrefix(target.Expr, "60 *"):
				case !known:
					want = units.NoUnit
				}
				if p.FieldConfig.Defaults.Unit != want {
					t.Errorf("%s shows %s in %q, want %q", p.Title, name, p.FieldConfig.Defaults.Unit, want)
				}
			}
		}
	}
}

// A server that scrapes a set answers every expression with something, at
// some time of the last minute: some values exist only under load.
// PROMETHEUS names it; testdata/peers/prometheus.sh sets it up.
func TestEveryExpressionIsAnswered(t *testing.T) {
	server := os.Getenv("PROMETHEUS")
	if server == "" {
		t.Fatal("name a server that scrapes a set in PROMETHEUS, or let testdata/peers/prometheus.sh do it")
	}
	for _, p := range panels(t) {
		for _, target := range p.Targets {
			lately := "last_over_time((" + strings.ReplaceAll(target.Expr, "$instance", ".*") + ")[1m:1s])"
			if n, err := ask(server, lately); err != nil || n == 0 {
				t.Errorf("%s: %d series for %s, %v", p.Title, n, target.Expr, err)
			}
		}
	}
	if n, err := ask(server, "genset_oil_presure_pascals"); err != nil || n != 0 {
		t.Errorf("a misspelt name has %d series, %v: the check proves nothing", n, err)
	}
}

// ask returns how many series an expression gives.
func ask(server, expr string) (int, error) {
	resp, err := http.Get(server + "/api/v1/query?query=" + url.QueryEscape(expr))
	if err != nil {
		return 0, err
	}
	defer resp.Body.Close()
	var answer struct {
		Status, Error string
		Data          struct{ Result []json.RawMessage }
	}
	if err := json.NewDecoder(resp.Body).Decode(&answer); err != nil {
		return 0, err
	}
	if answer.Status != "success" {
		return 0, fmt.Errorf("%s", answer.Error)
	}
	return len(answer.Data.Result), nil
}
