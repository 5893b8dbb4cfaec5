package running

import (
	"math"
	"time"

	"tickover/model"
)

// signal is the newest good value of one point.
type signal struct {
	value    float64
	at       model.Instant // of the good value
	asked    model.Instant // of the last sample, good or bad
	interval time.Duration // between samples; 0 means not known yet
	changed  model.Instant // when the value last differed
	fresh    bool          // came good with the present scan
}

// inputs remembers the newest good value of each point that can vote.
type inputs struct {
	now     model.Instant
	signals map[model.PointID]*signal
}

// voters are the points that are looked at.
var voters = func() map[model.PointID]bool {
	m := map[model.PointID]bool{
		model.SpeedPoint: true, model.FrequencyPoint: true, model.OilPressure: true,
		model.BatteryVoltage: true,
		model.ChargeLamp:     true, model.KeyOn: true, model.PowerActive: true,
	}
	for k := range 3 {
		m[model.PhaseVoltages[k]], m[model.LineVoltages[k]] = true, true
		m[model.PhaseCurrents[k]], m[model.PhaseActive[k]] = true, true
	}
	return m
}()

func newInputs() inputs { return inputs{signals: map[model.PointID]*signal{}} }

// take puts a scan's samples in. Groups may interleave; an instant before the
// last one is taken as the last one.
func (in *inputs) take(scan *model.Scan) {
	if in.now.Before(scan.At) {
		in.now = scan.At
	}
	for _, s := range in.signals {
		s.fresh = false
	}
	for _, sample := range scan.Samples {
		if voters[sample.Point] {
			in.put(sample)
		}
	}
}

func (in *inputs) put(sample model.Sample) {
	s := in.signals[sample.Point]
	if s == nil {
		s = &signal{}
		in.signals[sample.Point] = s
	}
	s.heard(in.now)
	if sample.Quality != model.Good {
		return
	}
	if s.at.IsZero() || s.value != sample.Value {
		s.changed = in.now
	}
	s.value, s.at, s.fresh = sample.Value, in.now, true
}

// heard keeps the interval: one long pause does not make a point slow.
func (s *signal) heard(now model.Instant) {
	if gap, same := now.Sub(s.asked); same && gap > 0 {
		if s.interval > 0 {
			gap = min(gap, 2*s.interval)
		}
		s.interval = gap
	}
	s.asked = now
}

// unknownPatience is how long a value counts whose interval is not known.
const (
	unknownPatience = 5 * time.Second
	leastPatience   = 2 * time.Second
)

// patience is how old a value may be: three missed polls and some lateness.
func (s *signal) patience() time.Duration {
	if s.interval == 0 {
		return unknownPatience
	}
	return max(leastPatience, 3*s.interval+s.interval/2)
}

// get returns the value of a point; false when there is none or it is stale.
func (in *inputs) get(id model.PointID) (float64, bool) {
	s := in.signals[id]
	if s == nil || s.at.IsZero() {
		return 0, false
	}
	age, same := in.now.Sub(s.at)
	if !same || age > s.patience() {
		return 0, false
	}
	return s.value, true
}

// any reports whether any signal is known that shows whether the engine turns.
func (in *inputs) any() bool {
	for id := range in.signals {
		if _, ok := in.get(id); ok && id != model.KeyOn {
			return true
		}
	}
	return false
}

// fresh reports whether a good value of the point came with this scan.
func (in *inputs) fresh(id model.PointID) bool {
	s := in.signals[id]
	return s != nil && s.fresh
}

// ever reports whether a good value of the point ever came.
func (in *inputs) ever(id model.PointID) bool {
	s := in.signals[id]
	return s != nil && !s.at.IsZero()
}

// frozen reports whether a point that is still read has not changed by one
// digit for so long.
func (in *inputs) frozen(id model.PointID, d time.Duration) bool {
	s := in.signals[id]
	if s == nil {
		return false
	}
	still, same := in.now.Sub(s.changed)
	return same && still > d
}

// highest returns the greatest of the points that are known, and which it is.
func (in *inputs) highest(ids []model.PointID) (v float64, id model.PointID) {
	for _, p := range ids {
		if w, ok := in.get(p); ok && (id == "" || w > v) {
			v, id = w, p
		}
	}
	return v, id
}

// volts is the highest voltage to neutral, or what the highest line-to-line
// voltage comes to. The point named is the one it was taken from.
func (in *inputs) volts() (v float64, id model.PointID) {
	if v, id = in.highest(model.PhaseVoltages[:]); id == "" {
		v, id = in.highest(model.LineVoltages[:])
		v /= math.Sqrt(3)
	}
	return v, id
}
