package performance

import (
	"fmt"
	"iter"
	"math"
	"slices"

	"tickover/model"
	"tickover/model/steady"
)

// version is the version of the record that Record makes.
const version = 1

// Input is what a record is made from.
type Input struct {
	Run    model.Run
	Rating model.Rating
	Clock  model.Clock
	// of the run, in the order of time, derived points included
	Scans iter.Seq2[*model.Scan, error]
	// of the run, in any order; hand measurements may be older
	Events    []model.Event
	Simulated bool
	Sensors   []model.Point    // the points measured, for the instruments' accuracy; may be empty
	Limits    string           // limit set to judge by; "": the rating's class, or else G1
	Own       []model.LimitSet // of the user's own
}

// recorder is one pass over the scans.
type recorder struct {
	in        Input
	tracks    *tracks
	states    states
	finder    stepFinder
	steady    steadySpans
	soakLog   soakLog
	unbalance unbalance
	// backwards notes power that counts the wrong way.
	backwards backwards
	// judgedBy is the limit set in force, an index into sets.
	judgedBy    int
	starts      []*start
	steps       []stepResult
	statesKnown bool // Run.States says when it was at rated speed
	wasRated    bool
}

// Record works a run out. It goes over the scans once and returns their first
// error, wrapped. What the data cannot support is in the record as not known,
// with the reason.
func Record(in Input) (*model.RunRecord, error) {
	r := newRecorder(in)
	if in.Scans != nil {
		for scan, err := range in.Scans {
			if err != nil {
				return nil, fmt.Errorf("read the scans of run %s: %w", in.Run.ID, err)
			}
			r.see(scan)
		}
	}
	r.end()
	return r.record(), nil
}

func newRecorder(in Input) *recorder {
	r := &recorder{in: in, tracks: newTracks(in.Rating, withUserSets(in.Own)),
		states: states{spans: in.Run.States}, starts: cranks(in.Run)}
	r.statesKnown = slices.ContainsFunc(in.Run.States,
		func(s model.StateSpan) bool { return s.State != model.EngineUnknown })
	r.steady.tracks, r.steady.heat.tracks = r.tracks, r.tracks
	r.soakLog.tracks, r.unbalance.tracks = r.tracks, r.tracks
	r.soakLog.counter.ranges = capacity(in.Sensors)
	r.unbalance.doubt =
		currentUncertainty * r.gain(in.Rating.Current(), model.PhaseCurrents[:]...).gain
	r.finder = stepFinder{
		tracks:    r.tracks,
		threshold: steady.StepThreshold(in.Rating),
		found: func(f foundStep) {
			if s, ok := r.tracks.analyse(f, r.finder.threshold); ok {
				r.steps = append(r.steps, s)
			}
		},
	}
	return r
}

// see takes one scan through every part.
func (r *recorder) see(scan *model.Scan) {
	if r.tracks.breaks(scan.At) {
		r.cut()
	}
	r.states.move(scan.At)
	r.tracks.post(scan)
	r.followEngine()
	for _, s := range r.starts {
		s.see(scan, r.in.Rating)
	}
	unsettled := r.finder.unsettled()
	if r.finder.see() {
		r.steady.disturb(r.finder.jump.before, r.finder.jump.first)
	}
	r.steady.wait = max(holdBack, r.finder.gap+1)
	if unsettled || r.finder.unsettled() {
		r.steady.postpone(r.tracks.now)
	}
	r.steady.see()
	r.soakLog.see(scan, r.wasRated || r.states.current().Running())
	r.unbalance.see(r.states.current())
	if r.wasRated {
		r.backwards.see(r.tracks.newReadings, r.finder.threshold)
	}
}

// cut ends everything at a break in the record.
func (r *recorder) cut() {
	r.tracks.cuts++
	r.steady.stop(r.loadKnown())
	r.finder.reset()
	r.soakLog.close(r.tracks.now)
	r.tracks.clear()
	r.unbalance.cut()
	r.wasRated, r.finder.rated = false, false
}

// followEngine passes on when rated speed is reached and left.
func (r *recorder) followEngine() {
	now, leave := r.atRated()
	r.finder.enter(now, leave)
	if now && !r.wasRated {
		r.steady.begin(r.tracks.now + settleTime)
	}
	if !now && r.wasRated {
		r.steady.stop(r.loadKnown())
	}
	r.wasRated = now
}

// loadKnown is until when in s the load is known: what was read after its last reading
// may be of another load.
func (r *recorder) loadKnown() float64 {
	if r.finder.last == 0 {
		return r.tracks.now
	}
	return r.finder.last
}

// atRated reports whether the set is at rated speed, and until when in s its readings
// count. Without engine states the frequency must do.
func (r *recorder) atRated() (bool, float64) {
	if r.statesKnown {
		leave := math.Inf(1)
		if at, ok := r.states.leaves(); ok && at.Boot == r.tracks.boot.Boot {
			leave = r.tracks.seconds(at)
		}
		// The last seconds before the stop already belong to it.
		leave -= r.tracks.stopGuard()
		return r.states.current().AtRatedSpeed() && r.tracks.now < leave, leave
	}
	f, ok := r.tracks.newest(model.FrequencyPoint, 10)
	return ok && math.Abs(f-r.in.Rating.Frequency) < 0.1*r.in.Rating.Frequency, math.Inf(1)
}

func (r *recorder) end() {
	r.finder.finish()
	r.steady.stop(r.loadKnown())
	r.soakLog.close(r.tracks.now)
}

// record puts everything together.
func (r *recorder) record() *model.RunRecord {
	sets := r.tracks.sets
	set, known := setNamed(sets, r.in.Limits)
	if r.in.Limits == "" {
		set, known = setNamed(sets, r.in.Rating.Class)
	}
	r.judgedBy = set
	rec := &model.RunRecord{Version: version, Run: r.in.Run, Rating: r.in.Rating,
		Simulated: r.in.Simulated, Class: sets[set].title, Soak: r.soakLog.rows}
	rec.Started, rec.ClockKnown = r.in.Clock.Wall(r.in.Run.Started)
	for _, s := range r.starts {
		rec.FirstStart = append(rec.FirstStart, s.record(r.in.Rating))
	}
	for _, s := range r.steady.found {
		rec.Steady = append(rec.Steady, s.SteadySpan)
	}
	j := r.judge()
	rec.Steps = r.stepRecords(j, set)
	rec.Repeats = r.repeats()
	rec.Influence = r.influence()
	rec.Figures = r.spoil(r.figures(j, set))
	r.events(rec)
	r.findings(rec, j, set)
	r.notTested(rec, j, set)
	if !known {
		rec.NotTested = append(
			rec.NotTested,
			fmt.Sprintf("There is no limit set %q; judged by %s.", r.in.Limits+r.in.Rating.Class,
				sets[set].title),
		)
	}
	return rec
}

// events sorts the events into timeline, alarms and hand measurements.
func (r *recorder) events(rec *model.RunRecord) {
	for _, e := range r.in.Events {
		if e.Hand != nil {
			rec.Hand = append(rec.Hand, e)
		}
		if e.Alarm != nil {
			rec.Alarms = append(rec.Alarms, *e.Alarm)
		}
		if e.Hand == nil {
			rec.Timeline = append(rec.Timeline, e)
		}
	}
	slices.SortStableFunc(rec.Timeline, func(a, b model.Event) int { return a.At.Compare(b.At) })
	slices.SortStableFunc(rec.Alarms, func(a, b model.AlarmEvent) int { return a.At.Compare(b.At) })
}

// stepRecords writes the steps with their verdicts.
func (r *recorder) stepRecords(j *judgement, set int) []model.LoadStep {
	var list []model.LoadStep
	for _, s := range r.steps {
		step := s.step
		for _, k := range s.kinds {
			m := s.per[k][0]
			if len(s.per[k]) > 1 {
				m = s.per[k][set]
			}
			step.Figures = append(step.Figures, j.write(k, set, m))
		}
		step.Figures = append(step.Figures, s.extra...)
		list = append(list, step)
	}
	return list
}
