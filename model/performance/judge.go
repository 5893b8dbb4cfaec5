package performance

import (
	"cmp"
	"fmt"
	"math"
	"strconv"
	"time"

	"tickover/model"
)

// measure is what the data say about one judged figure: the truth lies in
// lo..hi, as a magnitude in the subject's unit.
type measure struct {
	known  bool
	value  float64 // to show, signed
	lo, hi float64 // hi is +Inf where the data put no upper bound
	why    string  // why it is not known, or why hi is no tighter
	seen   time.Duration
	note   string
	bound  model.Bound
	unc    float64
}

func unknown(why string) measure { return measure{why: why} }

// plain makes a measure that is right to ±unc.
func plain(v, unc float64) measure {
	return measure{known: true, value: v, lo: v - unc, hi: v + unc, unc: unc}
}

// open marks that the truth may be larger without bound, with the reason.
func (m measure) open(why string) measure {
	m.hi, m.why = math.Inf(1), why
	return m
}

// verdict holds the bounds against a limit.
func (m measure) verdict(lowest, highest float64) (model.Verdict, string) {
	switch {
	case !m.known:
		return model.NotDetermined, m.why
	case m.lo > highest:
		return model.Outside, fmt.Sprintf("at least %s, limit %s", short(m.lo), short(highest))
	case m.hi <= lowest:
		return model.Within, ""
	case m.why != "":
		return model.NotDetermined, m.why
	}
	return model.NotDetermined, fmt.Sprintf(
		"the limit is within the measurement uncertainty: %s to %s", short(m.lo), short(m.hi))
}

// judgement is every measure of a run.
type judgement struct {
	// per key: one measure, or one per limit set where it depends on the set
	measures [keys][]measure
	sets     []limitSet
}

// of returns the measure of a key as limit set number set sees it.
func (j *judgement) of(k key, set int) measure {
	all := j.measures[k]
	switch len(all) {
	case 0:
		return unknown("not observed in this run")
	case 1:
		return all[0]
	}
	return all[set]
}

// limits returns between which values the limit lies: its droop may not be known.
func (j *judgement) limits(k key, set int) (lowest, highest float64, ok bool) {
	l, ok := j.sets[set].limits[k]
	if !ok {
		return 0, 0, false
	}
	lowest, highest = l.max, l.max
	if l.plusDroop {
		d := j.of(droop, set)
		highest += max(j.sets[set].limits[droop].max, 0)
		if d.known {
			lowest += max(d.lo, 0)
			highest = l.max + max(d.value+d.unc, 0)
		}
	}
	return lowest, highest, true
}

func (j *judgement) verdict(k key, set int) (model.Verdict, string) {
	lowest, highest, ok := j.limits(k, set)
	if !ok {
		return model.NoLimit, ""
	}
	return j.of(k, set).verdict(lowest, highest)
}

// figure writes a measure down with its limit.
func (j *judgement) figure(k key, set int) model.Figure {
	return j.write(k, set, j.of(k, set))
}

// write writes any measure of the kind k, such as that of one step.
func (j *judgement) write(k key, set int, m measure) model.Figure {
	s := subjects[k]
	f := model.NotKnown(s.name, s.symbol, s.unit, m.why)
	if m.known {
		f.Known, f.Value, f.Bound, f.Uncertainty, f.Note = true, m.value, m.bound, m.unc, m.note
		if m.bound == model.Interval {
			f.Low, f.High = m.lo, m.hi
		}
	}
	f.Seen = m.seen
	lowest, highest, ok := j.limits(k, set)
	if !ok {
		f.Verdict = model.NoLimit
		return f
	}
	f.Verdict, f.Reason = m.verdict(lowest, highest)
	f.Limit = j.limitText(k, set, highest)
	l := j.sets[set].limits[k]
	f.LimitSource, f.Confidence = cmp.Or(l.source, j.sets[set].source), l.confident
	return f
}

// limitWords writes a limit as the standard does, the set's own droop apart.
func (j *judgement) limitText(k key, set int, highest float64) string {
	l := j.sets[set].limits[k]
	if !l.plusDroop {
		return "≤ " + short(l.max) + " " + subjects[k].unit
	}
	if d := j.of(droop, set); d.known {
		return fmt.Sprintf("≤ %s %% + droop %.2f %%", short(l.max), max(d.value, 0))
	}
	return fmt.Sprintf("≤ %s %% + droop, at most %s %%", short(l.max), short(highest))
}

// short writes a number with at most three decimals.
func short(v float64) string {
	if math.Abs(v) >= 100 {
		return strconv.FormatFloat(v, 'f', 0, 64)
	}
	return strconv.FormatFloat(math.Round(v*1000)/1000, 'f', -1, 64)
}

// seconds makes a duration, rounded to a millisecond.
func seconds(s float64) time.Duration {
	return time.Duration(math.Round(s*1e3)) * time.Millisecond
}
