package config

import (
	"fmt"
	"slices"
	"strconv"
	"testing"

	"tickover/model"
	"tickover/testdata/reference"
)

// sunspecNames gives the SunSpec name of each point (201 names the
// line-to-line voltages PPVph.. where the others say PhVph..).
var sunspecNames = map[model.PointID][]string{
	model.CurrentL1: {"AphA"}, model.CurrentL2: {"AphB"}, model.CurrentL3: {"AphC"},
	model.VoltageL1N: {"PhVphA"}, model.VoltageL2N: {"PhVphB"}, model.VoltageL3N: {"PhVphC"},
	model.VoltageL12: {"PhVphAB", "PPVphAB"}, model.VoltageL23: {"PhVphBC", "PPVphBC"},
	model.VoltageL31:     {"PhVphCA", "PPVphCA"},
	model.FrequencyPoint: {"Hz"},
	model.PowerActive:    {"W"}, model.PowerActiveL1: {"WphA"}, model.PowerActiveL2: {"WphB"},
	model.PowerActiveL3: {"WphC"},
	model.PowerApparent: {"VA"}, model.PowerApparentL1: {"VAphA"}, model.PowerApparentL2: {"VAphB"},
	model.PowerApparentL3: {"VAphC"},
	model.PowerReactive:   {"VAR"}, model.PowerReactiveL1: {"VARphA"},
	model.PowerReactiveL2: {"VARphB"}, model.PowerReactiveL3: {"VARphC"},
	model.PowerFactorTotal: {"PF"}, model.PowerFactorL1: {"PFphA"}, model.PowerFactorL2: {"PFphB"},
	model.PowerFactorL3: {"PFphC"},
	model.EnergyActive:  {"TotWhExp"},
}

// modelRow is one point of a published model.
type modelRow struct {
	offset, size      int
	typ, units, scale string
}

// publishedModels reads the offsets of testdata/reference/sunspec_meter_offsets.csv,
// whose head names its source.
func publishedModels(t *testing.T) map[string]map[string]modelRow {
	t.Helper()
	models := map[string]map[string]modelRow{}
	for _, row := range reference.Rows(t, "sunspec_meter_offsets.csv") {
		number := row["model"]
		if models[number] == nil {
			models[number] = map[string]modelRow{}
		}
		models[number][row["point"]] = modelRow{row.Int(t, "offset_from_model_ID_register"),
			row.Int(t, "size_regs"), row["type"], row["units"], row["scale_factor_point"]}
	}
	return models
}

const oneMeter = "lines: [{name: a, serial: /dev/a}]\ndevices: [{name: d, line: a, unit: 1, " +
	"profile: sunspec %s, model at: 100}]\n"

func meter(t *testing.T, number string) model.Device {
	t.Helper()
	c, err := Parse("x.yaml", fmt.Appendf(nil, oneMeter, number))
	if err != nil {
		t.Fatal(err)
	}
	return c.Setup.Devices[0]
}

func TestSunSpecProfilesMatchThePublishedModels(t *testing.T) {
	models := publishedModels(t)
	if len(models) != 8 {
		t.Fatalf("%d models in the reference", len(models))
	}
	for number, published := range models {
		d := meter(t, number)
		if strconv.Itoa(int(d.Chain.Model)) != number || d.Chain.Start != 100 ||
			d.Chain.Bases != nil {
			t.Errorf("%s: %+v", number, d.Chain)
		}
		last := 0
		for _, row := range published {
			last = max(last, row.offset+row.size)
		}
		if int(d.Chain.Length) != last-2 {
			t.Errorf("%s: length %d, published %d", number, d.Chain.Length, last-2)
		}
		for _, p := range d.Points {
			checkPublished(t, number, p, published)
		}
	}
}

func checkPublished(t *testing.T, number string, p model.Point, published map[string]modelRow) {
	t.Helper()
	var row modelRow
	for _, name := range sunspecNames[p.ID] {
		if r, ok := published[name]; ok {
			row = r
		}
	}
	r := p.Register
	if row.size == 0 || int(r.Address) != 100+row.offset || r.Type.Words() != row.size ||
		r.Table != model.HoldingRegisters || r.Order != model.HighWordFirst {
		t.Errorf("%s %s: %s, published %+v", number, p.ID, r.Reference(), row)
		return
	}
	types := map[string]model.RegisterType{"int16": model.Int16, "acc32": model.Uint32,
		"float32": model.Float32}
	if want, ok := types[row.typ]; !ok || r.Type != want {
		t.Errorf("%s %s: %s, published %s", number, p.ID, r.Type, row.typ)
	}
	switch {
	case (row.scale == "") != (r.Exponent == nil):
		t.Errorf("%s %s: power of ten in %v, published %q", number, p.ID, r.Exponent, row.scale)
	case row.scale != "" && int(*r.Exponent) != 100+published[row.scale].offset:
		t.Errorf("%s %s: power of ten in %d, published at %d", number, p.ID, *r.Exponent,
			published[row.scale].offset)
	}
	unit := map[string]string{"Pct": "%", "PF": ""}[row.units]
	if unit == "" && row.units != "PF" {
		unit = row.units
	}
	one, ok := model.UnitResolution(p.Quantity, unit)
	if got := r.Resolution; !ok || got.Known() && got.Step() != one.Step() || !got.Known() &&
		one.Step() != 1 {
		t.Errorf("%s %s: %+v, published unit %s", number, p.ID, r.Resolution, row.units)
	}
}

// Sentinels from memory of the SunSpec information model specification: int16
// 0x8000, accumulators 0, float NaN, scale factor 0x8000.
func TestSunSpecSentinels(t *testing.T) {
	ints, floats := meter(t, "203"), meter(t, "213")
	for _, c := range []struct {
		p        model.Point
		words    []uint16
		exponent int16
		want     model.Cause
	}{
		{ints.Points[0], []uint16{0x8000}, -1, model.NotImplemented},
		{ints.Points[0], []uint16{100}, -32768, model.NotImplemented},
		{ints.Points[0], []uint16{100}, -1, model.NoCause},
		{ints.Points[len(ints.Points)-1], []uint16{0, 0}, 0, model.NotImplemented},
		{floats.Points[0], []uint16{0x7fc0, 0}, 0, model.NotImplemented},
	} {
		if s := c.p.Sample(c.words, c.exponent); s.Cause != c.want {
			t.Errorf("%s %x: %+v", c.p.ID, c.words, s)
		}
	}
	// 0x0900 with a scale factor of -1 is 230.4 V.
	u := ints.Points[slices.IndexFunc(ints.Points,
		func(p model.Point) bool { return p.ID == model.VoltageL1N })]
	if s := u.Sample([]uint16{0x0900}, -1); s.Value != 230.4 {
		t.Errorf("%+v", s)
	}
}

func TestProfileNames(t *testing.T) {
	want := []string{"blank", "sunspec 201", "sunspec 202", "sunspec 203", "sunspec 204",
		"sunspec 211", "sunspec 212", "sunspec 213", "sunspec 214"}
	same(t, "names", profileNames(), want)
	for _, name := range want {
		if text, ok := ProfileText(name); !ok || len(text) == 0 {
			t.Errorf("no text of %s", name)
		}
	}
	for _, name := range []string{"", "sunspec-203", "../config", "none"} {
		if _, ok := ProfileText(name); ok {
			t.Errorf("%q is a profile", name)
		}
	}
}

func TestBlankProfileWithPointsOfOnesOwn(t *testing.T) {
	_, err := Parse("x.yaml",
		[]byte("lines: [{name: a, serial: /dev/a}]\ndevices: [{name: d, line: a, unit: 1, "+
			"profile: blank, points: [{point: key.on, register: coil 0}]}]\n"))
	if err != nil {
		t.Error(err)
	}
}

func TestPointOfOnesOwnReplacesTheProfiles(t *testing.T) {
	c, err := Parse("x.yaml", []byte(`lines: [{name: a, serial: /dev/a}]
devices:
  - {name: d, line: a, unit: 1, profile: sunspec 203, model at: 100, points: [
     {point: energy.active, register: holding 46, type: unsigned 32, one count is: 1 Wh, power of ten in: holding 54}]}
`))
	if err != nil {
		t.Fatal(err)
	}
	e := c.Setup.Points()[model.EnergyActive].Register
	if e.Address != 146 || *e.Exponent != 154 ||
		len(c.Setup.Devices[0].Points) != len(meter(t, "203").Points) {
		t.Errorf("%+v", e)
	}
}
