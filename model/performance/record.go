package performance

import (
	"fmt"
	"iter"
	"math"
	"slices"

	"tickover/model"
	"tickover/model/steady"
)

// Version is the version of the record that Record makes.
const Version = 1

// Input is what a record is made from.
type Input struct {
	Run       model.Run
	Rating    model.Rating
	Clock     model.Clock
	Scans     iter.Seq2[*model.Scan, error] // of the run, in the order of time, derived points included
	Events    []model.Event                 // of the run, in any order; hand measurements may be older
	Simulated bool
	Sensors   []model.Point    // the points measured, for the instruments' accuracy; may be empty
	Limits    string           // limit set to judge by; "" is the class of the rating, and that empty is G1
	Own       []model.LimitSet // of the user's own
}

// recorder is one pass over the scans.
type recorder struct {
	in     Input
	board  *board
	states states
	finder finder
	keeper keeper
	sheet  sheet
	aside  aside
	// backwards notes power that counts the wrong way.
	backwards backwards
	// judgedBy is the limit set in force, an index into sets.
	judgedBy int
	starts   []*start
	steps    []stepResult
	known    bool // Run.States says when it was at rated speed
	was      bool
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
	r := &recorder{in: in, board: newBoard(in.Rating, withOwn(in.Own)), states: states{spans: in.Run.States}, starts: cranks(in.Run)}
	r.known = slices.ContainsFunc(in.Run.States, func(s model.StateSpan) bool { return s.State != model.EngineUnknown })
	r.keeper.board, r.keeper.heat.board, r.sheet.board, r.aside.board = r.board, r.board, r.board, r.board
	r.sheet.counter.spans = capacity(in.Sensors)
	r.aside.doubt = currentDoubt * r.gain(in.Rating.Current(), model.PhaseCurrents[:]...).gain
	r.finder = finder{board: r.board, threshold: steady.StepThreshold(in.Rating), found: func(f found) {
		if s, ok := r.board.analyse(f, r.finder.threshold); ok {
			r.steps = append(r.steps, s)
		}
	}}
	return r
}

// see takes one scan through every part.
func (r *recorder) see(scan *model.Scan) {
	if r.board.breaks(scan.At) {
		r.cut()
	}
	r.states.move(scan.At)
	r.board.post(scan)
	r.followEngine()
	for _, s := range r.starts {
		s.see(scan, r.in.Rating)
	}
	unsettled := r.finder.unsettled()
	if r.finder.see() {
		r.keeper.disturb(r.finder.jump.before, r.finder.jump.first)
	}
	r.keeper.wait = max(holdBack, r.finder.gap+1)
	if unsettled || r.finder.unsettled() {
		r.keeper.postpone(r.board.now)
	}
	r.keeper.see()
	r.sheet.see(scan, r.was || r.states.current().Running())
	r.aside.see(r.states.current())
	if r.was {
		r.backwards.see(r.board.fresh, r.finder.threshold)
	}
}

// cut ends everything at a break in the record.
func (r *recorder) cut() {
	r.board.cuts++
	r.keeper.stop(r.loadKnown())
	r.finder.reset()
	r.sheet.close(r.board.now)
	r.board.clear()
	r.aside.cut()
	r.was, r.finder.rated = false, false
}

// followEngine tells the parts when rated speed is reached and left.
func (r *recorder) followEngine() {
	now, leave := r.atRated()
	r.finder.enter(now, leave)
	if now && !r.was {
		r.keeper.begin(r.board.now + settleTime)
	}
	if !now && r.was {
		r.keeper.stop(r.loadKnown())
	}
	r.was = now
}

// loadKnown is until when in s the load is known: what was read after its last reading
// may be of another load.
func (r *recorder) loadKnown() float64 {
	if r.finder.last == 0 {
		return r.board.now
	}
	return r.finder.last
}

// atRated says whether the set is at rated speed, and until when in s its readings
// count. Without engine states the frequency must do.
func (r *recorder) atRated() (bool, float64) {
	if r.known {
		leave := math.Inf(1)
		if at, ok := r.states.leaves(); ok && at.Boot == r.board.boot.Boot {
			leave = r.board.seconds(at)
		}
		// The last seconds before the stop already belong to it.
		leave -= r.board.stopGuard()
		return r.states.current().AtRatedSpeed() && r.board.now < leave, leave
	}
	f, ok := r.board.newest(model.FrequencyPoint, 10)
	return ok && math.Abs(f-r.in.Rating.Frequency) < 0.1*r.in.Rating.Frequency, math.Inf(1)
}

func (r *recorder) end() {
	r.finder.finish()
	r.keeper.stop(r.loadKnown())
	r.sheet.close(r.board.now)
}

// record puts everything together.
func (r *recorder) record() *model.RunRecord {
	sets := r.board.sets
	set, known := setNamed(sets, r.in.Limits)
	if r.in.Limits == "" {
		set, known = setNamed(sets, r.in.Rating.Class)
	}
	r.judgedBy = set
	rec := &model.RunRecord{Version: Version, Run: r.in.Run, Rating: r.in.Rating, Simulated: r.in.Simulated, Class: sets[set].title, Soak: r.sheet.rows}
	rec.Started, rec.ClockKnown = r.in.Clock.Wall(r.in.Run.Started)
	for _, s := range r.starts {
		rec.FirstStart = append(rec.FirstStart, s.record(r.in.Rating))
	}
	for _, s := range r.keeper.spans {
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
		rec.NotTested = append(rec.NotTested, fmt.Sprintf("no limit set is called %q; judged by %s", r.in.Limits+r.in.Rating.Class, sets[set].title))
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
