package wiring

import (
	"fmt"
	"strings"

	"tickover/model"
)

// calibrations lists sensors whose calibration is no longer valid, and
// of instruments whose did not when they were read.
func (w *Evidence) calibrations(b Context) model.Check {
	const code, title = "C36", "calibrations are valid"
	var bad, open []string
	n := 0
	tell := func(who string, v model.Validity, words string) {
		switch {
		case v.On.IsZero():
			open = append(open, who+" has no calibration date")
		case words != "":
			bad = append(bad, who+": "+words)
		default:
			n++
		}
	}
	for _, p := range w.setup.Sensed {
		if c := p.Sensor.Calibration; c != nil {
			tell(string(p.ID), c.Validity, c.Overdue(b.Now))
		}
	}
	for _, e := range b.Hand {
		if e.Hand == nil || e.Hand.Instrument == "" {
			continue
		}
		at := e.Hand.Taken
		if at.IsZero() {
			at, _ = b.Dates.Wall(e.At)
		}
		v, _ := model.CalibrationIn(e.Hand.Instrument)
		tell(fmt.Sprintf("the instrument of entry %d", e.Seq), v, v.Overdue(at))
	}
	switch {
	case len(bad) > 0:
		return check(code, title, true, strings.Join(append(bad, open...), "; "),
			"calibrate again, or enter how long it is valid: valid 24 months")
	case len(open) > 0:
		return notDetermined(code, title, strings.Join(open, "; "))
	case n == 0:
		return notDetermined(code, title, "no sensor and no instrument has a calibration date")
	case b.Now.IsZero():
		return notDetermined(code, title, "the date is not known")
	}
	return check(code, title, false, fmt.Sprintf("all %d are valid", n), "")
}
