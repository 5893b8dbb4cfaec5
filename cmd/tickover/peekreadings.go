package main

import (
	"fmt"
	"io"
	"math"
	"strings"
	"text/tabwriter"

	"tickover/model"
)

// reading is one way to read what stands at an address.
type reading struct {
	Address int      `json:"address"`
	Type    string   `json:"type"`
	Order   string   `json:"order,omitempty"`
	Value   float64  `json:"value"`
	Means   []string `json:"means,omitempty"` // of the quantity asked for, with the size of one count
}

// usual is what a generator set under test may show of a quantity, canonical
// units, of either sign where low is negative (common practice, sets up to
// 2 MVA).
var usual = map[model.Quantity]struct{ low, high float64 }{
	model.Voltage: {5, 1000}, model.Current: {0.1, 4000}, model.Frequency: {10, 75}, model.ActivePower: {-3e6, 3e6},
	model.ReactivePower: {-3e6, 3e6}, model.ApparentPower: {10, 3e6}, model.PowerFactor: {-1, 1}, model.Energy: {3.6e5, 3.6e14},
	model.Temperature: {-40, 700}, model.Pressure: {5e3, 2e6}, model.Speed: {1, 70}, model.Ratio: {0.001, 1.5},
	model.Duration: {60, 1e9}, model.Volume: {0.001, 100}, model.Resistance: {0.5, 1e5},
}

// usualNames lists the quantities that can be marked.
func usualNames() string {
	var names []string
	for _, q := range model.Quantities() {
		if _, ok := usual[q]; ok {
			names = append(names, q.String())
		}
	}
	return strings.Join(names, ", ")
}

// steps are the sizes of one count that devices use, in a unit of the quantity.
var steps = []string{"1", "0.1", "0.01", "0.001", "10", "100"}

// readings lists every plausible way to read the words, each address by itself
// and with those behind it. A quantity marks what fits it.
func readings(table model.Table, first uint16, words []uint16, q model.Quantity) []reading {
	var all []reading
	for i := range words {
		for t := model.Uint16; t <= model.Float64; t++ {
			if i+t.Words() > len(words) {
				continue
			}
			all = append(all, ordered(model.Register{Table: table, Address: first + uint16(i), Type: t}, words[i:i+t.Words()], q)...)
		}
	}
	return all
}

// ordered reads one type in every word order that gives another value.
func ordered(r model.Register, words []uint16, q model.Quantity) []reading {
	orders := []model.WordOrder{model.HighWordFirst, model.LowWordFirst, model.HighWordFirstBytesSwapped, model.LowWordFirstBytesSwapped}
	if len(words) == 1 {
		orders = orders[:1]
	}
	var all []reading
	for _, r.Order = range orders {
		v, cause := r.Decode(words, 0)
		if cause != model.NoCause || !plausible(r, words, v) {
			continue
		}
		one := reading{Address: int(r.Address), Type: r.Type.String(), Value: v, Means: meanings(r, words, q)}
		if len(words) > 1 {
			one.Order = r.Order.String()
		}
		all = append(all, one)
	}
	return all
}

// plausible leaves out what no device would put there: floats of absurd size,
// signed readings that are the same as the unsigned one, wide counters whose
// upper half is used up. A voltage in two registers is a small number in them:
// small ones stay, but for the nothing that zeros are in any type.
func plausible(r model.Register, words []uint16, v float64) bool {
	size := math.Abs(v)
	switch r.Type {
	case model.Float32, model.Float64:
		return v == 0 && r.Order == model.HighWordFirst || size >= 1e-4 && size < 1e10
	case model.Int16, model.Int32, model.Int64:
		return v < 0 && size < 1e9
	case model.Uint32:
		return size < 1<<31 && size > 0
	case model.Uint64:
		return size < 1<<48 && size >= 1<<32
	}
	return true
}

// meanings are the values of the quantity that the register would have with
// the usual sizes of one count.
func meanings(r model.Register, words []uint16, q model.Quantity) []string {
	span, known := usual[q]
	if !known {
		return nil
	}
	float := r.Type == model.Float32 || r.Type == model.Float64
	var all []string
	seen := map[model.Resolution]bool{}
	for _, unit := range q.Units() {
		for _, step := range steps {
			if float && step != "1" {
				continue
			}
			size := strings.TrimSpace(step + " " + unit)
			resolution, err := model.ParseResolution(size, q)
			if err != nil || seen[resolution] {
				continue
			}
			seen[resolution] = true
			r.Resolution = resolution
			v, _ := r.Decode(words, 0)
			if v != 0 && v >= span.low && v <= span.high && len(all) < 4 {
				all = append(all, fmt.Sprintf("%s by %s", q.ShowWithUnit(v), size))
			}
		}
	}
	return all
}

func printReadings(out io.Writer, table model.Table, first uint16, words []uint16, q model.Quantity) error {
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "address\treference\thex\ttype\tvalue\tcould be")
	for _, r := range readings(table, first, words, q) {
		kind := r.Type
		if r.Order != "" {
			kind += ", " + r.Order
		}
		mark := strings.Join(r.Means, "; ")
		if mark != "" {
			mark = "* " + mark
		}
		at := model.Register{Table: table, Address: uint16(r.Address)}
		fmt.Fprintf(w, "%d\t%s\t%04x\t%s\t%.9g\t%s\n", r.Address, at.Reference(), words[r.Address-int(first)], kind, r.Value, mark)
	}
	return w.Flush()
}
