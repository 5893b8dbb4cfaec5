package performance

import (
	"math"
	"slices"
	"strings"
	"time"

	"tickover/model"
)

// pointTrack is all that is kept of one point. Every part that sums it up has its
// place here, so that a sample costs one look-up.
type pointTrack struct {
	track
	id       model.PointID
	kind     model.Quantity
	role     role
	inSpan   tally     // since the steady span began
	inRow    tally     // since the log-sheet's row began
	inMinute tally     // of a temperature, in the running minute of the span
	minutes  []float64 // of a temperature, means of the last minutes of the span
}

// role is the part of the work that uses a point, so that no sample costs
// a comparison of names.
type role uint8

const (
	noRole role = iota
	frequencyRole
	powerRole
	activeRole // of L1; L2 and L3 follow
	_
	_
	energyRole
	phaseRole // voltage L1 to neutral; L2, L3 and the three between phases follow
	_
	_
	_
	_
	_
	negativeRole
	neutralRole
	perHertzRole
	temperatureRole
)

func roleOf(id model.PointID, kind model.Quantity) role {
	if k := slices.Index(model.PhaseVoltages[:], id); k >= 0 {
		return phaseRole + role(k)
	}
	if k := slices.Index(model.LineVoltages[:], id); k >= 0 {
		return phaseRole + 3 + role(k)
	}
	if k := slices.Index(model.PhaseActive[:], id); k >= 0 {
		return activeRole + role(k)
	}
	switch id {
	case model.FrequencyPoint:
		return frequencyRole
	case model.PowerActive:
		return powerRole
	case model.EnergyActive:
		return energyRole
	case model.NegativeCurrent:
		return negativeRole
	case model.NeutralSuspect:
		return neutralRole
	case model.VoltsPerHertzRatio:
		return perHertzRole
	}
	if kind == model.Temperature || strings.HasSuffix(string(id), ".temperature") {
		return temperatureRole
	}
	return noRole
}

// fresh is one good sample of the newest scan.
type newReading struct {
	*pointTrack
	t, v float64
}

// tracks keeps everything that was read lately: a track for each
// point, and the time in s since the record began.
type tracks struct {
	sets        []limitSet // to judge by
	rating      model.Rating
	points      map[model.PointID]*pointTrack
	newReadings []newReading             // what the scan just posted brought
	layouts     map[string][]*pointTrack // by group
	now         float64
	base        float64       // s at the first scan of this boot
	boot        model.Instant // the first scan of this boot
	neutral     bool          // a voltage to neutral was read
	cuts        int           // how often the clock broke off: reboots and holes in the record
}

// hole is how long without any scan breaks the record in two.
const hole = 60.0

func newTracks(r model.Rating, sets []limitSet) *tracks {
	return &tracks{rating: r, sets: sets, points: map[model.PointID]*pointTrack{},
		layouts: map[string][]*pointTrack{}}
}

// seconds turns an instant of the present boot into s.
func (b *tracks) seconds(at model.Instant) float64 {
	return b.base + (at.Offset - b.boot.Offset).Seconds()
}

// instant is the inverse of seconds.
func (b *tracks) instant(t float64) model.Instant {
	return b.boot.Add(time.Duration((t - b.base) * 1e9))
}

// breaks moves the clock to a scan and reports whether what came before does
// not join on to it.
func (b *tracks) breaks(at model.Instant) bool {
	switch {
	case b.boot.IsZero():
		b.boot = at
		return false
	case at.Boot != b.boot.Boot:
		// How long the machine was off is not known from its own clocks;
		// anything beyond the hole keeps spans and averages apart.
		b.base, b.boot = b.now+2*hole, at
		return true
	}
	return b.seconds(at)-b.now > hole
}

// post keeps the good samples of a scan.
func (b *tracks) post(scan *model.Scan) {
	start := b.seconds(scan.At)
	b.now = max(b.now, start)
	b.newReadings = b.newReadings[:0]
	layout := b.layout(scan)
	for i := range scan.Samples {
		s := &scan.Samples[i]
		if s.Quality != model.Good || math.IsNaN(s.Value) || math.IsInf(s.Value, 0) {
			continue
		}
		k := b.find(layout, i, s.Point)
		t := start + s.Lag.Seconds()
		k.add(t, s.Value)
		b.newReadings = append(b.newReadings, newReading{k, t, s.Value})
	}
}

// layout returns where the last scan of this group had each of its points:
// they come in the same order, which saves a look-up for each sample.
func (b *tracks) layout(scan *model.Scan) []*pointTrack {
	l := b.layouts[scan.Group]
	if len(l) < len(scan.Samples) {
		l = append(l, make([]*pointTrack, len(scan.Samples)-len(l))...)
		b.layouts[scan.Group] = l
	}
	return l
}

func (b *tracks) find(layout []*pointTrack, i int, id model.PointID) *pointTrack {
	if k := layout[i]; k != nil && k.id == id {
		return k
	}
	k := b.points[id]
	if k == nil {
		k = &pointTrack{id: id}
		k.kind, _ = model.KnownQuantity(id)
		k.role = roleOf(id, k.kind)
		b.points[id] = k
		b.neutral = b.neutral || k.role >= phaseRole && k.role < phaseRole+3
	}
	layout[i] = k
	return k
}

// track returns the readings of a point; nil when it was never read.
func (b *tracks) track(p model.PointID) *track {
	if k := b.points[p]; k != nil {
		return &k.track
	}
	return nil
}

// clear forgets everything read so far.
func (b *tracks) clear() {
	for _, k := range b.points {
		k.r = k.r[:0]
	}
}

// newest returns the last value of a point no older than age s.
func (b *tracks) newest(p model.PointID, age float64) (float64, bool) {
	k := b.track(p)
	if k == nil || len(k.r) == 0 {
		return 0, false
	}
	last := k.r[len(k.r)-1]
	return last.v, b.now-last.t <= age
}

// stopGuard is how many s before the engine leaves rated speed no longer count: the
// state is dated by readings, and the fall begins between two of them.
func (b *tracks) stopGuard() float64 {
	const least, readings = 5.0, 3.0
	k := b.track(model.FrequencyPoint)
	if k == nil || len(k.r) < 2 {
		return least
	}
	return max(least, readings*(k.r[len(k.r)-1].t-k.r[len(k.r)-2].t))
}

// voltages returns the three voltages to judge by and their rated value:
// line to neutral when the meter has them, else line to line.
func (b *tracks) voltages() ([3]model.PointID, float64) {
	if b.voltageSet() == 0 {
		return model.PhaseVoltages, b.rating.PhaseVoltage()
	}
	return model.LineVoltages, b.rating.Voltage
}

// voltageSet is 0 when any voltage to neutral was read, else 1.
func (b *tracks) voltageSet() int {
	if b.neutral {
		return 0
	}
	return 1
}

// states follows the engine state through the spans of a run.
type states struct {
	spans []model.StateSpan
	at    int
}

// move steps to an instant; instants must not go back.
func (s *states) move(at model.Instant) {
	for s.at+1 < len(s.spans) && !at.Before(s.spans[s.at+1].From) {
		s.at++
	}
}

// current returns the state at the last instant moved to.
func (s *states) current() model.EngineState {
	if len(s.spans) == 0 {
		return model.EngineUnknown
	}
	return s.spans[s.at].State
}

// leaves returns when the engine next leaves rated speed; false when it does not.
func (s *states) leaves() (model.Instant, bool) {
	for i := s.at; i < len(s.spans); i++ {
		if !s.spans[i].State.AtRatedSpeed() {
			return s.spans[i].From, true
		}
	}
	return model.Instant{}, false
}
