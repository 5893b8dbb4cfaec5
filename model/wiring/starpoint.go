package wiring

import (
	"fmt"
	"maps"
	"math"
	"math/cmplx"
	"slices"
	"strings"
	"time"

	"tickover/model"
	"tickover/model/electrical"
)

// starSeen holds what single-phase loads do to the neutral's current and to the
// star point against what they must do. A meter whose N lead is open works
// phase voltages out from a star point of its own: these look good whatever the
// neutral is like, so C05 to C07 cannot judge it.
type starSeen struct {
	carried, closed int // switchings whose currents did and did not need the neutral
	moved, still    int // of those carried, and large enough, by what the star point did
	lastClosed      bool
}

// Bounds of a switching, as shares of the highest change of a phase current.
const (
	closes     = 0.08 // the vector sum below which the neutral carries nothing of it
	needs      = 0.5  // the vector sum above which the neutral carries it
	thirdMoves = 0.2  // the least change of a phase: a load between two phases moves two
	unequal    = 0.2  // of the mean change, the negative sequence of a load that is not symmetrical
	levelVolts = 0.1  // of the phase voltage, within which the shown phases lie
)

// The star point moves by the neutral current times a third of the alternator's
// zero-sequence impedance and the lead. leastZero is that impedance per unit of
// the rating, at the least (from memory: 1 % and more in small salient-pole
// machines); plainMove is the move in V that registers of 0.1 V show for certain.
const (
	leastZero = 0.01
	plainMove = 0.3
)

// longestSwitching is how much time may lie between the two stretches.
const longestSwitching = 30 * time.Second

// see takes two steady stretches that follow one another.
func (s *starSeen) see(before, after *stretch, r model.Rating) {
	if gap, same := after.from.Sub(before.to); !same || gap > longestSwitching {
		return
	}
	a, okA := phasors(before, r)
	b, okB := phasors(after, r)
	if !okA || !okB {
		return
	}
	var change [3]complex128
	high, low := 0.0, math.Inf(1)
	for k := range 3 {
		change[k] = b[k] - a[k]
		high, low = max(high, cmplx.Abs(change[k])), min(low, cmplx.Abs(change[k]))
	}
	if high < max(1, 0.03*r.Current()) {
		return
	}
	neutral := cmplx.Abs(change[0] + change[1] + change[2])
	switch {
	case neutral > needs*high:
		s.carried, s.lastClosed = s.carried+1, false
		s.starMoves(before, after, neutral, r)
	case neutral < closes*high && low > thirdMoves*high &&
		negative(change) > unequal*positive(change):
		s.closed, s.lastClosed = s.closed+1, true
	}
}

// starMoves looks whether the star point went with the neutral's current (A).
func (s *starSeen) starMoves(before, after *stretch, neutral float64, r model.Rating) {
	if !(r.ApparentPower > 0) {
		return
	}
	least := neutral * leastZero / 3 * r.Voltage * r.Voltage / r.ApparentPower
	a, okA := electrical.StarPoint(before.mean.ln, before.mean.ll)
	b, okB := electrical.StarPoint(after.mean.ln, after.mean.ll)
	if !okA || !okB || least < plainMove {
		return
	}
	if cmplx.Abs(b-a) < least/2 {
		s.still++
	} else {
		s.moved++
	}
}

// phasors are the phase currents in A on one common axis, the voltages taken
// to be 120° apart; false without powers or when the shown voltages are not
// level, which is a finding of other checks.
func phasors(s *stretch, r model.Rating) (i [3]complex128, ok bool) {
	if s.powers == 0 || s.lines == 0 {
		return i, false
	}
	phase := phaseOf(r)
	for k := range 3 {
		if math.Abs(s.mean.ln[k]/phase-1) > levelVolts {
			return i, false
		}
		i[k] = complex(s.mean.p[k], -s.mean.q[k]) / complex(s.mean.ln[k], 0) * conductors[k]
	}
	return i, true
}

// positive and negative are the sequence magnitudes of three phasors (Fortescue).
func positive(i [3]complex128) float64 { return sequence(i, 1) }
func negative(i [3]complex128) float64 { return sequence(i, -1) }

func sequence(i [3]complex128, way float64) float64 {
	turn := cmplx.Rect(1, way*2*math.Pi/3)
	return cmplx.Abs(i[0]+i[1]*turn+i[2]*turn*turn) / 3
}

// starPoint judges the neutral by the loads, and by an independent witness
// where there is one: a voltage from N to earth, or a second meter.
func (w *Evidence) starPoint() model.Check {
	const code, title = "C37", "star point and neutral follow single-phase load"
	s := w.loads.ended().star
	var f verdictParts
	if s.closed > 0 && s.lastClosed {
		f.add(fmt.Sprintf("at %d of %d switchings of unequal load, the currents returned without "+
			"the neutral and the phase voltages shown stayed equal", s.closed, s.closed+s.carried),
			"measure each phase to N at a socket by hand before you connect anything else: "+
				"the neutral is broken and the meter's N lead open, or the load is between phases")
	}
	if s.still > 0 && s.moved == 0 {
		f.add(fmt.Sprintf("the star point does not move with single-phase load (%d switchings): "+
			"the meter calculates the phase voltages instead of measuring them", s.still),
			"stop the set and repair the meter's N lead and its fuse; until then a broken "+
				"neutral does not show")
	}
	w.judgeWitnesses(&f)
	if s.moved > 0 {
		f.good = append(f.good, fmt.Sprintf(
			"the neutral carried %d switchings, and the star point followed", s.carried))
	}
	switch {
	case len(f.bad) > 0:
		return check(code, title, true, strings.Join(f.bad, "; "),
			strings.Join(slices.Compact(f.do), "; "))
	case s.moved > 0:
		return check(code, title, false, strings.Join(f.good, "; "), "")
	}
	f.good = append(f.good, "needs a single-phase load that is switched, with power per phase and "+
		"line voltages measured; a heater of a third of rated current is enough")
	return notDetermined(code, title, strings.Join(f.good, "; "))
}

// verdictParts are those of one check: what is wrong with what to do, and what is in order.
type verdictParts struct{ bad, do, good []string }

func (f *verdictParts) add(wrong, remedy string) {
	f.bad, f.do = append(f.bad, wrong), append(f.do, remedy)
}

// judgeWitnesses judges N by its voltage to earth, and the phase voltages by a second meter.
func (w *Evidence) judgeWitnesses(f *verdictParts) {
	const loadsOff = "switch the loads off to protect appliances, then find "
	if v := w.npe.quantile(0.95); v > leastShift*phaseOf(w.rating) {
		f.add("N is "+model.Voltage.ShowWithUnit(v)+" off earth",
			loadsOff+"the break of the neutral or of its earthing")
	} else if len(w.npe) >= least {
		f.good = append(f.good, "N stays within "+model.Voltage.ShowWithUnit(v)+" of earth")
	}
	for _, id := range slices.Sorted(maps.Keys(w.second)) {
		seen := w.second[id]
		if len(seen.ratio) < least {
			continue
		}
		volts, r := seen.volts.median(), seen.ratio.median()
		if math.Abs(r-1) > secondMeter {
			f.add(fmt.Sprintf("%s shows %s, the meter %s", id, model.Voltage.ShowWithUnit(volts),
				model.Voltage.ShowWithUnit(volts/r)),
				loadsOff+"which of the two meters has lost its neutral")
		} else {
			f.good = append(f.good, string(id)+" agrees with the meter")
		}
	}
}

// secondMeter is how far two meters may differ: two of class 1, half a percent
// of lead each and a third of room (common practice).
const secondMeter = 0.04

// secondMeterSeen holds the readings of a second meter of one phase.
type secondMeterSeen struct{ ratio, volts pile }

// witness takes N against earth, and second readings of a phase voltage: points
// such as voltage.l1n.sockets.
func (w *Evidence) witness(m meterReading) {
	if v, ok := w.last[model.NeutralToEarth]; ok {
		w.npe.add(math.Abs(v))
	}
	for id, k := range w.twins {
		v, ok := w.last[id]
		if !ok || !(m.ln[k] > 0) {
			continue
		}
		s := w.second[id]
		if s == nil {
			s = &secondMeterSeen{}
			w.second[id] = s
		}
		s.ratio.add(v / m.ln[k])
		s.volts.add(v)
	}
}

// twinOf is the phase that a point measures a second time.
func twinOf(id model.PointID) (phase int, ok bool) {
	for k, first := range model.PhaseVoltages {
		if strings.HasPrefix(string(id), string(first)+".") {
			return k, true
		}
	}
	return 0, false
}
