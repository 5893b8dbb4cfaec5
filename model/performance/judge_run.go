package performance

import (
	"fmt"
	"math"
	"time"

	"tickover/model"
	"tickover/model/electrical"
	"tickover/model/steady"
)

// What the instruments are taken to be good for while nothing better is known
// of them (common practice): a class 0.5 meter, and differences of readings of
// one meter, where its gain cancels.
const (
	frequencyStep      = 0.02 // Hz, on the difference of two means or extremes
	voltageStep        = 0.1  // % of rated, on the difference of two means
	slow               = 2.5  // s between readings above which a short load is not seen
	beatNoise          = 0.25 // %, width of a steady reading's own noise
	fullEnough         = 0.90 // of rating: a load that counts as rated
	onEnough           = 0.50 // of rating: the first step of a published class G2 specification
	unloadedBelow      = 0.02 // of rating
	assumed            = "uncertainty assumed for a class 0.5 meter"
	noFrequency        = "no steady span has a frequency"
	noRatedFrequency   = "no rated frequency is given"
	noRatedVoltage     = "no rated voltage is given"
	noSteady           = "no steady span at rated speed was found"
	fasterThanReadings = "swings faster than the readings do not show"
)

// judge makes the measures of the whole run.
func (r *recorder) judge() *judgement {
	j := &judgement{sets: r.tracks.sets}
	j.measures[droop] = []measure{r.droop()}
	j.measures[band] = []measure{r.band()}
	j.measures[voltageDeviation] = []measure{r.voltageDeviation()}
	j.measures[unbalanceNoLoad] = []measure{r.unbalanceWithoutLoad()}
	j.measures[modulation] = []measure{r.modulation()}
	for k := differenceOff; k <= voltageRecoveryOff; k++ {
		if j.measures[k] == nil {
			j.measures[k] = r.worstOfSteps(k)
		}
	}
	return j
}

// share is a load over the rating, NaN when either is not known.
func (r *recorder) share(load float64) float64 {
	if p := r.in.Rating.ActivePower(); p > 0 {
		return load / p
	}
	return math.NaN()
}

func (r *recorder) unloaded(s steadySpan) bool {
	load := drawn(func(id model.PointID) (float64, bool) {
		p, ok := s.Points[id]
		return p.Mean, ok
	})
	if share := r.share(load); !math.IsNaN(share) {
		return share < unloadedBelow
	}
	return load < 0.5*steady.StepThreshold(r.in.Rating)
}

// noLoadAndFull returns the spans to take the droop from: the most heavily
// loaded one, and the unloaded one nearest before it, or else after it.
func (r *recorder) noLoadAndFull() (none, full steadySpan, why string) {
	at := -1
	for i, s := range r.steady.found {
		if _, ok := s.Points[model.FrequencyPoint]; ok && !math.IsNaN(s.Load) &&
			(at < 0 || s.Load > r.steady.found[at].Load) {
			at = i
		}
	}
	if at < 0 {
		return none, full, "no steady span has both frequency and load"
	}
	full = r.steady.found[at]
	found := false
	for i, s := range r.steady.found {
		if _, ok := s.Points[model.FrequencyPoint]; ok && r.unloaded(s) && (i < at || !found) {
			none, found = s, true
		}
	}
	switch {
	case !found:
		return none, full, "no steady span is without load"
	case r.unloaded(full):
		return none, full, "no load was applied"
	}
	return none, full, ""
}

// droop compares no load with the highest load and extends the straight line
// to the rated load when it stayed below.
func (r *recorder) droop() measure {
	if r.in.Rating.Frequency <= 0 {
		return unknown(noRatedFrequency)
	}
	if words := r.backwards.reason(); words != "" {
		return unknown(words)
	}
	none, full, why := r.noLoadAndFull()
	if why != "" {
		return unknown(why)
	}
	share := r.share(full.Load - none.Load)
	if math.IsNaN(share) {
		return unknown("no rated power is given")
	}
	fall := none.Points[model.FrequencyPoint].Mean - full.Points[model.FrequencyPoint].Mean
	unit := 100 / r.in.Rating.Frequency
	m := plain(fall*unit/share, (frequencyStep+none.strays()+full.strays())*unit/share)
	m.seen, m.note = seconds(full.usual), fmt.Sprintf(
		"%s Hz at no load, %s Hz at %s %% of rated power",
		short(none.Points[model.FrequencyPoint].Mean),
		short(full.Points[model.FrequencyPoint].Mean), percent(share))
	if share < fullEnough {
		m.note += "; extrapolated to rated power"
		m.lo = (fall - frequencyStep - none.strays() - full.strays()) * unit
		m = m.open(fmt.Sprintf("the highest steady load was %s %% of rated power", percent(share)))
	}
	return m
}

// strays is how far in Hz a span's mean may be off where readings come so slowly that
// single ones may show a load that came and went: how far they lie apart.
func (s steadySpan) strays() float64 {
	if f := s.Points[model.FrequencyPoint]; s.usual > slow {
		return f.Max - f.Min
	}
	return 0
}

func percent(ratio float64) string { return fmt.Sprintf("%.0f", 100*ratio) }

func (r *recorder) band() measure {
	if r.in.Rating.Frequency <= 0 {
		return unknown(noRatedFrequency)
	}
	worst := unknown(noFrequency)
	for _, s := range r.steady.found {
		if s.swings == 0 {
			continue
		}
		m := plain(100*s.swing/r.in.Rating.Frequency, 100*frequencyStep/r.in.Rating.Frequency)
		m.seen, m.note = seconds(
			s.usual), "the widest in any minute of steady load; "+fasterThanReadings
		if s.usual > slow {
			m.lo, m.why = 0, fmt.Sprintf(
				"readings every %s s: a short load between two of them looks like a swing",
				short(math.Round(10*s.usual)/10))
		}
		worst = worse(worst, m)
	}
	return worst
}

// steadyVoltage is the mean voltage of a span in % of rated.
func (r *recorder) steadyVoltage(s steadySpan) (float64, bool) {
	points, rated := r.tracks.voltages()
	sum := 0.0
	for _, p := range points {
		spread, ok := s.Points[p]
		if !ok {
			return 0, false
		}
		sum += spread.Mean / 3
	}
	return 100 * sum / rated, rated > 0
}

func (r *recorder) voltageDeviation() measure {
	if r.in.Rating.Voltage <= 0 {
		return unknown(noRatedVoltage)
	}
	lo, hi, low, high, usual := math.Inf(1), math.Inf(-1), math.Inf(1), math.Inf(-1), 0.0
	for _, s := range r.steady.found {
		if u, ok := r.steadyVoltage(s); ok {
			lo, hi, usual = min(lo, u), max(hi, u), max(usual, s.usual)
			if !math.IsNaN(s.Load) {
				low, high = min(low, s.Load), max(high, s.Load)
			}
		}
	}
	if math.IsInf(lo, 1) {
		return unknown("no steady span has all three voltages")
	}
	m := plain((hi-lo)/2, voltageStep)
	m.seen, m.note = seconds(usual), "mean of the three phases over all steady loads"
	from, to := r.share(low), r.share(high)
	if words := r.backwards.reason(); words != "" {
		m.lo = max(m.lo, 0)
		return m.open(words)
	}
	if !(from < unloadedBelow && to >= fullEnough) {
		m.lo = max(m.lo, 0)
		return m.open("the steady loads did not extend from no load to rated load")
	}
	return m
}

func (r *recorder) unbalanceWithoutLoad() measure {
	worst := unknown("no steady span without load has all three line-to-line voltages")
	for _, s := range r.steady.found {
		var u [3]float64
		ok := r.unloaded(s)
		for i, p := range model.LineVoltages {
			spread, there := s.Points[p]
			u[i], ok = spread.Mean, ok && there
		}
		if !ok {
			continue
		}
		v := electrical.NegativeSequence(u[0], u[1], u[2])
		if math.IsNaN(v) {
			continue
		}
		good := r.gain(r.in.Rating.Voltage, model.LineVoltages[:]...)
		m := plain(100*v, 100*electrical.NegativeSequenceUncertainty(u[0], u[1], u[2], good.gain))
		m.note = "from the three line-to-line magnitudes (IEC 61000-4-30); " + good.text
		m.seen = seconds(s.usual)
		worst = worse(worst, m)
	}
	return worst
}

func (r *recorder) modulation() measure {
	worst := unknown("no steady span has a voltage")
	for _, s := range r.steady.found {
		if s.beats == 0 {
			continue
		}
		m := plain(100*s.beat, beatNoise)
		m.bound, m.seen = model.AtLeast, seconds(s.usual)
		m = m.open(
			"meter readings are averages over many periods and do not show faster modulation")
		worst = worse(worst, m)
	}
	return worst
}

// worstOfSteps gathers what the steps show of one figure. A set that kept the
// limit in small steps has not yet shown it for the step the limit means.
func (r *recorder) worstOfSteps(k key) []measure {
	all := make([]measure, len(r.tracks.sets))
	largest := 0.0
	for i := range all {
		all[i] = unknown("no such load step was made")
	}
	for _, s := range r.steps {
		of, ok := s.per[k]
		if !ok {
			continue
		}
		largest = max(largest, s.size)
		for i := range all {
			all[i] = worse(all[i], of[min(i, len(of)-1)])
		}
	}
	enough, kind := onEnough, "load applied in one step"
	if k == differenceOff || k == voltageRise || k == frequencyRecoveryOff ||
		k == voltageRecoveryOff {
		enough, kind = fullEnough, "load removed in one step"
	}
	share, why := r.share(largest), r.backwards.reason()
	if why == "" && !(share >= enough) {
		why = fmt.Sprintf("the largest %s was %s kW, %s %% of rated power", kind,
			short(math.Round(largest/10)/100), percent(share))
	}
	for i := range all {
		if why != "" && all[i].known && !math.IsInf(all[i].hi, 1) {
			all[i] = all[i].open(why)
		}
	}
	return all
}

// usualReading is the coarsest usual interval between frequency readings.
func (r *recorder) usualReading() time.Duration {
	usual := 0.0
	for _, s := range r.steady.found {
		usual = max(usual, s.usual)
	}
	return seconds(usual)
}
