package metrics

import (
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/testutil"

	"tickover/model"
	"tickover/testdata/golden"
)

const second = time.Second

// bench is a collector over a snapshot and a clock that the test sets.
type bench struct {
	snap   *model.Snapshot
	now    model.Instant
	points map[model.PointID]model.Point
	*Collector
}

func newBench(points map[model.PointID]model.Point) *bench {
	b := &bench{now: model.Instant{Boot: 3, Offset: 100 * second}, points: points}
	b.snap = &model.Snapshot{At: b.now, Readings: map[model.PointID]model.Reading{}}
	b.Collector = New(func() *model.Snapshot { return b.snap }, points, func() model.Instant { return b.now }, "1.2.3")
	return b
}

func (b *bench) read(id model.PointID, v float64) {
	b.snap.Readings[id] = model.Reading{Sample: model.GoodSample(id, v), At: b.now, Good: b.now, Last: v}
}

func (b *bench) scrape(t *testing.T) string {
	t.Helper()
	w := httptest.NewRecorder()
	b.Handler(slog.New(slog.DiscardHandler)).ServeHTTP(w, httptest.NewRequest("GET", "/metrics", nil))
	body, err := io.ReadAll(w.Body)
	if err != nil || w.Code != 200 {
		t.Fatalf("scrape: %d, %v: %s", w.Code, err, body)
	}
	return string(body)
}

func scanOf(readings map[model.PointID]model.Reading, at model.Instant) *model.Scan {
	scan := &model.Scan{At: at}
	for _, r := range readings {
		scan.Samples = append(scan.Samples, r.Sample)
	}
	return scan
}

// full is a bench on which every metric has a value.
func full() *bench {
	points := map[model.PointID]model.Point{}
	for _, q := range model.Quantities() {
		id := model.PointID("own." + strings.ReplaceAll(q.String(), " ", "."))
		points[id] = model.Point{ID: id, Quantity: q, Every: second}
	}
	for _, m := range wellKnown() {
		for id := range m.points {
			points[id] = model.Point{ID: id, Every: second, Fast: true}
		}
	}
	b := newBench(points)
	b.Count(func() Totals { return Totals{Cranks: 3, Starts: 2, Running: 90 * time.Minute, Loaded: time.Hour} })
	b.Nameplate(model.Rating{Name: "standby", Site: "fish hatchery", ApparentPower: 50e3, Voltage: 400, Frequency: 50, Class: "G1"})
	for id := range points {
		b.read(id, 1)
	}
	b.Observe(scanOf(b.snap.Readings, b.now))
	b.snap.State = model.Loaded
	b.snap.Alarms = []model.AlarmStatus{{Rule: model.AlarmRule{ID: "oil.pressure.low", Priority: model.Critical},
		State: model.AlarmLatchedUnacknowledged, Watching: true, FirstOut: true, Unwatched: 42 * second}}
	b.snap.Lines = []model.LineHealth{{Name: "skid", Open: true, Messages: 7, Exceptions: map[byte]uint64{2: 1},
		Units: []model.UnitHealth{{Unit: 7, Asked: 9, Messages: 7, Exceptions: map[byte]uint64{2: 1}, Timeout: second / 10}}}}
	for _, d := range []time.Duration{4 * time.Millisecond, 4 * time.Millisecond, 3 * second} {
		b.snap.Lines[0].Units[0].Latency.Add(d)
	}
	b.snap.Devices = []model.DeviceHealth{{Name: "meter", Line: "skid", Up: true, Reads: 9, Failures: map[model.Cause]uint64{model.NoAnswer: 2}}}
	b.snap.Store = model.StoreHealth{Bytes: 4096, FreeDisk: 1 << 30, Appended: 5}
	b.snap.Clock = model.Clock{Boots: []model.Boot{{Number: 3, Estimates: []model.ClockEstimate{{Source: model.ClockSynchronised}}}}}
	return b
}

// everything is a registry of all that is served, save what the Go library
// says of its own runtime.
func everything() *prometheus.Registry {
	registry := prometheus.NewPedanticRegistry()
	registry.MustRegister(full(), newProcess(), newOutlets(someOutlets))
	return registry
}

func TestNamesAreLintedAndInBaseUnits(t *testing.T) {
	registry := everything()
	problems, err := testutil.GatherAndLint(registry)
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range problems {
		t.Errorf("%s: %s", p.Metric, p.Text)
	}
	families, err := registry.Gather()
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range families {
		if fault := unitFault(f.GetName()); fault != "" {
			t.Errorf("%s: %s", f.GetName(), fault)
		}
	}
}

// promlint lets kilopascals and kilowatts through; this does not.
func TestTheUnitCheckCatchesWhatTheLinterLetsThrough(t *testing.T) {
	for _, name := range []string{"genset_oil_pressure_kilopascals", "genset_power_kilowatts", "genset_oil_pressure_bar",
		"genset_load_percent", "genset_speed_rpm", "genset_energy_kilowatt_hours_total", "genset_coolant_temperature",
		"genset_coolant_temperature_kelvin", "genset_voltage_v", "genset_battery_millivolts", "genset_busy_ms_total"} {
		if unitFault(name) == "" {
			t.Errorf("%s passes", name)
		}
	}
}

// units are the base units a name may end in; numbers are names of what has no unit.
var (
	units = []string{"volts", "amperes", "hertz", "watts", "vars", "voltamperes", "joules", "celsius", "pascals", "seconds",
		"ratio", "second", "ohms", "radians", "meters", "meter", "bytes"}
	numbers = []string{"state", "active", "awaits_person", "watching", "first_out", "info", "simulated", "synchronised", "open",
		"up", "degraded", "counts", "messages", "failures", "exceptions", "retries", "reopened", "overruns", "reads", "scans", "events",
		"fences", "burst", "asked", "starts", "cranks", "sent", "dropped", "fds"}
	scaled = []string{"kilo", "mega", "milli", "micro", "percent", "minute", "hour", "bar", "psi", "rpm", "kelvin"}
)

func unitFault(name string) string {
	for _, s := range scaled {
		if strings.Contains(name, s) {
			return "is not in a base unit: " + s
		}
	}
	name = strings.TrimSuffix(name, "_total")
	ends := func(s string) bool { return strings.HasSuffix(name, "_"+s) }
	if !slices.ContainsFunc(units, ends) && !slices.ContainsFunc(numbers, ends) {
		return "ends in no unit known here"
	}
	return ""
}

func TestNamesAreThoseOnRecord(t *testing.T) {
	families, err := everything().Gather()
	if err != nil {
		t.Fatal(err)
	}
	var names, table strings.Builder
	table.WriteString(tableHead)
	for _, f := range families {
		var labels []string
		for _, l := range f.GetMetric()[0].GetLabel() {
			labels = append(labels, l.GetName())
		}
		kind := strings.ToLower(f.GetType().String())
		fmt.Fprintf(&names, "%s{%s} %s\n", f.GetName(), strings.Join(labels, ","), kind)
		fmt.Fprintf(&table, "| `%s` | %s | %s | %s |\n", f.GetName(), kind, strings.Join(labels, ", "), f.GetHelp())
	}
	table.WriteString(tableFoot)
	golden.Holds(t, "../../testdata/metrics/names.txt", names.String())
	golden.Holds(t, "../../deploy/docs/metrics.md", table.String())
}

// tableHead opens the table for people.
const tableHead = `# Metrics

Tickover answers on ` + "`/metrics`" + ` in the text, OpenMetrics and protobuf formats.
Names and labels are a promise: they do not change. All values are in base
units. A value that is bad or too old (three poll intervals, 5 s at least) is
left out, so that its series ends at once; it is never repeated, never zero and
never NaN. ` + "`tickover_sample_age_seconds`" + ` goes on growing meanwhile. Points of
your own appear under the metric of their quantity, with their name as a label.

| name | type | labels | meaning |
|---|---|---|---|
`

// tableFoot closes it.
const tableFoot = `
Beside these stand the series of the Go library about its own runtime, ` + "`go_*`" + `.
Remote write sends points, engine states and alarms under the same names.
`

// Every name described is one that some snapshot fills: a name nobody sees is
// a mistake.
func TestEveryDescribedMetricCanAppear(t *testing.T) {
	b := full()
	described := make(chan *prometheus.Desc, 1000)
	b.Describe(described)
	close(described)
	registry := prometheus.NewPedanticRegistry()
	registry.MustRegister(b)
	families, err := registry.Gather()
	if err != nil {
		t.Fatal(err)
	}
	if n := len(described); n != len(families) {
		t.Errorf("%d names are described, %d appear", n, len(families))
	}
}

func TestValuesAreShownWithTheirLabels(t *testing.T) {
	b := newBench(map[model.PointID]model.Point{
		"shed.door": {ID: "shed.door", Quantity: model.State}, "vane": {ID: "vane", Quantity: model.Angle}})
	b.read(model.VoltageL1N, 230.5)
	b.read(model.VoltageL31, 400)
	b.read(model.CurrentN, 3)
	b.read(model.OilPressure, 350000)
	b.read(model.EnergyActive, 3.6e6)
	b.read("shed.door", 1)
	b.read("vane", 180)
	b.snap.State = model.Loaded
	text := b.scrape(t)
	for _, want := range []string{
		`genset_phase_voltage_volts{phase="L1"} 230.5`,
		`genset_line_voltage_volts{phases="L3-L1"} 400`,
		`genset_current_amperes{phase="N"} 3`,
		`genset_oil_pressure_pascals 350000`,
		`genset_energy_joules_total 3.6e+06`,
		`genset_point_state{point="shed.door"} 1`,
		`genset_point_angle_radians{point="vane"} 3.141592653589793`,
		`genset_engine_state{state="loaded"} 1`,
		`genset_engine_state{state="standstill"} 0`,
		`# TYPE genset_energy_joules_total counter`,
		`go_goroutines`,
	} {
		if !strings.Contains(text, want) {
			t.Errorf("no %q in the scrape", want)
		}
	}
}

func TestAlarmsAndHealthAreShown(t *testing.T) {
	text := full().scrape(t)
	for _, want := range []string{
		`genset_alarm_state{alarm="oil.pressure.low",priority="critical",state="latched, unacknowledged"} 1`,
		`genset_alarm_state{alarm="oil.pressure.low",priority="critical",state="normal"} 0`,
		`genset_engine_starts_total 2`, `genset_engine_cranks_total 3`,
		`genset_engine_run_seconds_total 5400`, `genset_engine_loaded_seconds_total 3600`,
		`genset_alarm_active{alarm="oil.pressure.low",priority="critical"} 1`,
		`genset_alarm_unwatched_seconds_total{alarm="oil.pressure.low",priority="critical"} 42`,
		`tickover_build_info{goversion="go`,
		`tickover_line_exceptions_total{code="2",line="skid"} 1`,
		`tickover_device_failures_total{cause="no answer",device="meter",line="skid"} 2`,
		`tickover_device_up{device="meter",line="skid"} 1`,
		`tickover_clock_synchronised 1`,
		`genset_info{class="G1",name="standby",site="fish hatchery"} 1`,
	} {
		if !strings.Contains(text, want) {
			t.Errorf("no %q in the scrape", want)
		}
	}
}

func TestWhatMayNotBeBelievedIsLeftOut(t *testing.T) {
	b := newBench(map[model.PointID]model.Point{
		model.OilPressure:        {ID: model.OilPressure, Every: second},
		model.CoolantTemperature: {ID: model.CoolantTemperature, Every: 10 * second},
	})
	for _, id := range []model.PointID{model.OilPressure, model.CoolantTemperature, model.SpeedPoint} {
		b.read(id, 7)
	}
	old := b.snap.Readings[model.SpeedPoint]
	old.Sample = model.BadSample(model.SpeedPoint, model.SensorFailed)
	b.snap.Readings[model.SpeedPoint] = old
	shown := func(name string) bool { return strings.Contains(b.scrape(t), "\n"+name+" 7\n") }
	for _, c := range []struct {
		after             time.Duration
		oil, coolant, any bool
	}{{5 * second, true, true, true}, {6 * second, false, true, true}, {30 * second, false, true, true}, {31 * second, false, false, true}} {
		b.now = b.snap.At.Add(c.after)
		if got := shown("genset_oil_pressure_pascals"); got != c.oil {
			t.Errorf("oil pressure, polled each second, after %s: shown %v", c.after, got)
		}
		if got := shown("genset_coolant_temperature_celsius"); got != c.coolant {
			t.Errorf("coolant, polled every 10 s, after %s: shown %v", c.after, got)
		}
		if shown("genset_speed_revolutions_per_second") {
			t.Errorf("a Bad speed is shown after %s", c.after)
		}
		age := fmt.Sprintf(`tickover_sample_age_seconds{point="oil.pressure"} %d`, c.after/second)
		if !strings.Contains(b.scrape(t), age) {
			t.Errorf("no %q", age)
		}
	}
}

func TestASampleOfAnEarlierBootIsStale(t *testing.T) {
	b := newBench(nil)
	b.read(model.OilPressure, 7)
	b.now = model.Instant{Boot: 4, Offset: 100 * second}
	if text := b.scrape(t); strings.Contains(text, "genset_oil_pressure_pascals") || strings.Contains(text, "tickover_sample_age_seconds{") {
		t.Error("a sample of an earlier boot is shown")
	}
}

func TestWithoutASnapshotOnlyTheProgramIsShown(t *testing.T) {
	b := newBench(nil)
	b.snap = nil
	text := b.scrape(t)
	if !strings.Contains(text, `tickover_build_info{`) || strings.Contains(text, "genset_") {
		t.Errorf("got:\n%s", text)
	}
}

// A histogram's buckets are added up, and the slowest answer is in the last.
func TestLatencyIsAHistogram(t *testing.T) {
	text := full().scrape(t)
	for _, want := range []string{
		`tickover_unit_latency_seconds_bucket{line="skid",unit="7",le="0.002"} 0`,
		`tickover_unit_latency_seconds_bucket{line="skid",unit="7",le="0.005"} 2`,
		`tickover_unit_latency_seconds_bucket{line="skid",unit="7",le="1"} 2`,
		`tickover_unit_latency_seconds_bucket{line="skid",unit="7",le="+Inf"} 3`,
		`tickover_unit_latency_seconds_count{line="skid",unit="7"} 3`,
		`tickover_unit_timeout_seconds{line="skid",unit="7"} 0.1`,
	} {
		if !strings.Contains(text, want) {
			t.Errorf("%s is missing", want)
		}
	}
}

// A dip between two scrapes is seen by every server that scrapes, and is gone
// once it lies further back than the scrape before and a minute.
func TestADipBetweenScrapesIsSeen(t *testing.T) {
	b := newBench(map[model.PointID]model.Point{
		model.VoltageL1N:  {ID: model.VoltageL1N, Every: second, Fast: true},
		model.OilPressure: {ID: model.OilPressure, Every: second},
	})
	observe := func(after time.Duration, volts float64) {
		at := b.snap.At.Add(after)
		b.Observe(&model.Scan{At: at, Samples: []model.Sample{model.GoodSample(model.VoltageL1N, volts), model.GoodSample(model.OilPressure, 1)}})
	}
	for s := range 120 {
		observe(time.Duration(s)*second, 230)
		if s == 20 {
			observe(20*second+300*time.Millisecond, 171)
		}
	}
	b.Observe(&model.Scan{At: b.snap.At.Add(21 * second), Samples: []model.Sample{model.BadSample(model.VoltageL1N, model.NoAnswer)}})
	low := func(after time.Duration) string {
		b.now = b.snap.At.Add(after)
		for line := range strings.Lines(b.scrape(t)) {
			if v, ok := strings.CutPrefix(line, `genset_phase_voltage_min_volts{phase="L1"} `); ok {
				return strings.TrimSpace(v)
			}
		}
		return ""
	}
	for _, c := range []struct {
		after time.Duration
		want  string
	}{{30 * second, "171"}, {31 * second, "171"}, {75 * second, "171"}, {100 * second, "230"}, {279 * second, "230"}, {400 * second, ""}} {
		if got := low(c.after); got != c.want {
			t.Errorf("a scrape after %s shows %q as the lowest, want %q", c.after, got, c.want)
		}
	}
	if strings.Contains(b.scrape(t), "genset_oil_pressure_min") {
		t.Error("a point that is not polled fast has a lowest value")
	}
}

// A server that scrapes every two minutes sees what happened since.
func TestARareScrapeLooksFurtherBack(t *testing.T) {
	b := newBench(map[model.PointID]model.Point{model.FrequencyPoint: {ID: model.FrequencyPoint, Every: second, Fast: true}})
	b.scrape(t)
	b.Observe(&model.Scan{At: b.now.Add(second), Samples: []model.Sample{model.GoodSample(model.FrequencyPoint, 46.5)}})
	b.Observe(&model.Scan{At: b.now.Add(100 * second), Samples: []model.Sample{model.GoodSample(model.FrequencyPoint, 50)}})
	b.now = b.now.Add(120 * second)
	if text := b.scrape(t); !strings.Contains(text, "genset_frequency_min_hertz 46.5") || !strings.Contains(text, "genset_frequency_max_hertz 50") {
		t.Error("the dip two minutes ago is lost")
	}
}

// gone is a reader who has left.
type gone struct{ http.ResponseWriter }

func (gone) Write([]byte) (int, error) { return 0, io.ErrClosedPipe }

// A reader who leaves in mid-answer leaves no line in the log; a thousand were
// written, one for each family.
func TestAReaderWhoLeavesFillsNoLog(t *testing.T) {
	b := full()
	var log strings.Builder
	handler := b.Handler(slog.New(slog.NewTextHandler(&log, nil)))
	handler.ServeHTTP(gone{httptest.NewRecorder()}, httptest.NewRequest("GET", "/metrics", nil))
	if log.Len() > 0 {
		t.Errorf("the log says: %s", log.String())
	}
}
