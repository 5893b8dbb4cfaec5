package config

import (
	"testing"

	"tickover/model"
)

// What a register shows whose wire is broken is not believed even when the
// configuration does not say what is plausible; what it says goes first, and a
// name of one's own has no window.
func TestAPointHasAWindowUnlessItSaysOne(t *testing.T) {
	const head = "lines: [{name: bus, serial: /dev/ttyX}]\ndevices: [{name: a, line: bus, unit: " +
		"1, points: [{"
	const tail = ", register: holding 0, type: signed 16, one count is: 0.1 K}]}]\n"
	for _, c := range []struct {
		point string
		word  uint16
		good  bool
	}{
		{"point: coolant.temperature", 0x8000, false},
		{"point: coolant.temperature", 0x7FFF, false},
		{"point: coolant.temperature", 2000, true},
		{"point: coolant.temperature", 2001, false},
		{"point: exhaust.temperature", 0x7FFF, false},
		{"point: exhaust.temperature", 9000, true},
		{"point: coolant.temperature, plausible: -40 °C..300 °C", 2500, true},
		{"point: kiln.temperature, quantity: temperature", 0x7FFF, true},
	} {
		cfg, err := Parse("x.yaml", []byte(head+c.point+tail))
		if err != nil {
			t.Fatal(err)
		}
		p := cfg.Setup.Devices[0].Points[0]
		if s := p.Sample([]uint16{c.word}, 0); (s.Quality == model.Good) != c.good {
			t.Errorf("%s of %d counts: %s %s", c.point, int16(c.word), s.Quality, s.Cause)
		}
	}
}
