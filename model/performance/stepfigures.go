package performance

import (
	"fmt"
	"math"
	"strings"

	"tickover/model"
)

// stepResult is a step with its measures, kept until all droops are known.
type stepResult struct {
	step  model.LoadStep
	on    bool
	size  float64 // W, magnitude of the change of the total
	kinds []key
	per   map[key][]measure // one, or one per limit set
	extra []model.Figure    // figures without a limit
}

// shownPoints are those whose means before and after a step are kept.
var shownPoints = func() []model.PointID {
	p := []model.PointID{model.FrequencyPoint, model.PowerActive, model.PowerReactive,
		model.PowerApparent, model.PowerFactorTotal, model.CurrentN, model.NeutralEstimate,
		model.LoadRatio, model.VoltageUnbalance, model.NegativeVoltage, model.CurrentUnbalance,
		model.NegativeCurrent, model.ZeroSequenceVoltage, model.OilPressure, model.OilTemperature,
		model.CoolantTemperature, model.ExhaustTemperature, model.BatteryVoltage,
		model.BearingTemperature, model.ResidualCurrent, model.NeutralToEarth}
	for i := range 3 {
		p = append(p, model.PhaseVoltages[i], model.LineVoltages[i], model.PhaseCurrents[i],
			model.PhaseActive[i], model.PhasePowerFactor[i], model.Windings[i])
	}
	return p
}()

// analyse works out what a step did. It returns false for a blip: a load that
// came and went again.
func (b *tracks) analyse(f foundStep, threshold float64) (stepResult, bool) {
	// The answer to a change before has died away by half the time since, if not sooner.
	from := max(f.quiet+min(settleTime, (f.before-f.quiet)/2), f.before-lookBack)
	tail := max(f.settled, f.end-min(lookBack, 0.6*(f.end-f.first)))
	f.before = b.earlier(f, from, tail)
	step := model.LoadStep{At: b.instant(f.first), Before: map[model.PointID]float64{},
		After: map[model.PointID]float64{}}
	for _, p := range shownPoints {
		if r := b.track(p).between(from, f.before); len(r) > 0 {
			step.Before[p] = mean(r)
		}
		if r := b.track(p).between(tail, f.end); len(r) > 0 {
			step.After[p] = settledAt(r)
		}
	}
	var changed float64
	step.Phases, changed = phases(step)
	step.From, step.To = total(step.Before), total(step.After)
	if changed < threshold && math.Abs(step.To-step.From) < threshold {
		return stepResult{}, false
	}
	before, after := load(step.Before), load(step.After)
	s := stepResult{step: step, on: after >= before, size: math.Abs(after - before),
		per: map[key][]measure{}}
	b.frequencyFigures(&s, f)
	b.voltageFigures(&s, f, b.adrift(from, f.before) || b.adrift(tail, f.end))
	if b.changedAgain(f, tail, threshold) {
		for _, k := range []key{frequencyRecoveryOn, frequencyRecoveryOff,
			voltageRecoveryOn, voltageRecoveryOff} {
			for i := range s.per[k] {
				s.per[k][i] = unknown("the load changed again before it was steady")
			}
		}
	}
	return s, true
}

// changedAgain reports whether the load was elsewhere than at its new level after the
// first reading of the step, which may be an average over both.
func (b *tracks) changedAgain(f foundStep, tail, threshold float64) bool {
	for _, id := range loadPoints {
		r := b.track(id).between(f.first, f.end)
		level := mean(b.track(id).between(tail, f.end))
		for i := 1; i < len(r); i++ {
			if math.Abs(r[i].v-level) >= threshold {
				return true
			}
		}
	}
	return false
}

// earlier moves the last reading before the step one back when it already
// holds part of it: a meter averages over the time before each reading.
func (b *tracks) earlier(f foundStep, from, tail float64) float64 {
	for _, id := range loadPoints {
		r := b.track(id).between(from, f.before)
		if len(r) < 3 {
			continue
		}
		old, now := mean(r[:len(r)-1]), mean(b.track(id).between(tail, f.end))
		if math.Abs(r[len(r)-1].v-old) > 0.05*math.Abs(now-old) && math.Abs(now-old) > 0 {
			return r[len(r)-2].t
		}
	}
	return f.before
}

// load is the magnitude of the load, whichever way the power counts.
func load(m map[model.PointID]float64) float64 {
	return drawn(func(id model.PointID) (float64, bool) {
		v, ok := m[id]
		return v, ok
	})
}

func total(m map[model.PointID]float64) float64 {
	if p, ok := m[model.PowerActive]; ok {
		return p
	}
	sum := 0.0
	for _, id := range model.PhaseActive {
		sum += m[id]
	}
	return sum
}

// phases names the phases whose load changed, and by how much the most.
func phases(s model.LoadStep) (names string, most float64) {
	var change [3]float64
	for i, id := range model.PhaseActive {
		change[i] = math.Abs(s.After[id] - s.Before[id])
		most = max(most, change[i])
	}
	var list []string
	for i, c := range change {
		if most > 0 && c >= 0.25*most {
			list = append(list, fmt.Sprintf("L%d", i+1))
		}
	}
	return strings.Join(list, " "), most
}

func (s *stepResult) put(k key, m ...measure) {
	s.kinds = append(s.kinds, k)
	s.per[k] = m
}

func (b *tracks) frequencyFigures(s *stepResult, f foundStep) {
	r := b.track(model.FrequencyPoint).between(f.before, f.end)
	rated := b.rating.Frequency
	recoveryKey, sign := frequencyRecoveryOff, 1.0
	if s.on {
		recoveryKey, sign = frequencyRecoveryOn, -1
	}
	before, known := s.step.Before[model.FrequencyPoint]
	why := "no frequency was measured before or after the step"
	if rated <= 0 {
		known, why = false, "no rated frequency is given"
	}
	if !known || len(r) < 2 {
		s.put(differenceOff, unknown(why))
		s.put(recoveryKey, unknown(why))
		return
	}
	if s.on {
		s.put(differenceOn, excursion(r, f.jump, before, rated, sign, true))
		s.put(deviationOn, excursion(r, f.jump, rated, rated, sign, true))
	} else {
		s.put(differenceOff, excursion(r, f.jump, before, rated, sign, true))
	}
	s.extra = append(s.extra, extreme(r, f.jump, sign, "frequency", "Hz"))
	after, ok := s.step.After[model.FrequencyPoint]
	if !ok {
		after = math.NaN()
	}
	s.put(recoveryKey, b.perSet(func(l limitSet) measure {
		if l.tolerance == 0 {
			return unknown("this limit set has no recovery band")
		}
		return recovery(r, f.jump, after, l.tolerance/200*rated)
	})...)
}

// perSet works a measure out for each limit set.
func (b *tracks) perSet(of func(limitSet) measure) []measure {
	m := make([]measure, len(b.sets))
	for i := range b.sets {
		m[i] = of(b.sets[i])
	}
	return m
}

// extreme is the lowest or highest reading itself and when it was seen.
func extreme(r []timedValue, j jump, sign float64, what, unit string) model.Figure {
	name, bound := "lowest "+what, model.AtMost
	if sign > 0 {
		name, bound = "highest "+what, model.AtLeast
	}
	in := answering(within(r, j.before, min(j.end, j.first+passing)), j, sign)
	if len(in) == 0 {
		return model.NotKnown(name, "", unit, "no readings after the step")
	}
	_, at := peak(in, 0, sign)
	usual, _ := spacing(in)
	return model.Figure{Name: name, Value: in[at].v, Unit: unit, Known: true, Bound: bound,
		Verdict: model.NoLimit, Seen: seconds(usual), Note: j.when(in[at].t)}
}

// adrift reports whether the neutral was suspect for most of the readings in a
// stretch: the phases' voltages follow the load then, not the regulator.
func (b *tracks) adrift(from, to float64) bool {
	return mean(b.track(model.NeutralSuspect).between(from, to)) > 0.5 // false for NaN
}

// voltageFigures judges the voltage around a step; adrift means that the neutral was not
// sound before or after it.
func (b *tracks) voltageFigures(s *stepResult, f foundStep, adrift bool) {
	points, rated := b.voltages()
	peakKey, recoveryKey, sign := voltageRise, voltageRecoveryOff, 1.0
	if s.on {
		peakKey, recoveryKey, sign = voltageDip, voltageRecoveryOn, -1
	}
	if rated <= 0 {
		s.put(peakKey, unknown("no rated voltage is given"))
		s.put(recoveryKey, unknown("no rated voltage is given"))
		return
	}
	if adrift {
		const why = "the neutral is suspect: the phase voltages follow the load"
		s.put(peakKey, unknown(why))
		s.put(recoveryKey, unknown(why))
		return
	}
	worst, recoveries := unknown("no voltage was measured around the step"), make([]measure,
		len(b.sets))
	for i := range recoveries {
		recoveries[i] = unknown("no voltage was measured around the step")
	}
	for _, p := range points {
		r := b.track(p).between(f.before, f.end)
		if len(r) < 2 {
			continue
		}
		worst = worse(worst, excursion(r, f.jump, rated, rated, sign, false))
		s.extra = append(
			s.extra,
			extreme(r, f.jump, sign,
				"voltage "+strings.ToUpper(strings.TrimPrefix(string(p), "voltage.")), "V"),
		)
		after, ok := s.step.After[p]
		if !ok {
			after = math.NaN()
		}
		for i, l := range b.sets {
			m := unknown("this limit set has no recovery band")
			if l.settle > 0 {
				m = recovery(r, f.jump, after, l.settle/100*rated)
			}
			recoveries[i] = worse(recoveries[i], m)
		}
	}
	s.put(peakKey, worst)
	s.put(recoveryKey, recoveries...)
}
