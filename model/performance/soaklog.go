package performance

import (
	"math"
	"time"

	"tickover/model"
)

const (
	rowEvery  = 15 * time.Minute
	lowLoad   = 0.30 // of rating: below it a diesel engine stays too cold
	maxBridge = 10.0 // s of missing power that energy is still integrated over
)

// soakLog writes the rows of the soak log-sheet and sums energy and time at load.
type soakLog struct {
	tracks   *tracks
	from     float64
	since    model.Instant
	open     bool
	rows     []model.LogRow
	lastP    float64
	lastT    float64
	powered  bool // lastP and lastT are set
	joules   float64
	between  float64 // J by which joules may be off for what lies between readings
	counted  float64 // s of load
	weighted float64 // J with loads below 30 % counted as 30 % (ISO 8528-1)
	bands    [5]float64
	top      float64 // W, highest load seen
	counter  counter
	low      episode // below lowLoad of rating
	missing  float64 // s of load that no readings cover
}

// see takes a scan in while the engine runs.
func (s *soakLog) see(scan *model.Scan, running bool) {
	at := s.tracks.seconds(scan.At)
	if !running {
		s.close(at)
		return
	}
	if !s.open {
		s.open, s.from, s.since = true, at, scan.At
		for _, one := range s.tracks.points {
			one.inRow = tally{}
		}
	}
	for _, r := range s.tracks.newReadings {
		s.add(r)
	}
	if at-s.from >= rowEvery.Seconds() {
		s.close(at)
	}
}

func (s *soakLog) add(r newReading) {
	r.inRow.add(r.t-s.from, r.v)
	switch r.role {
	case powerRole:
		s.power(r.t, r.v)
	case energyRole:
		s.counter.add(r.v)
	}
}

// loadBands are the upper ends of the load bands, of rating.
var loadBands = [4]float64{0.30, 0.50, 0.75, 1.00}

func (s *soakLog) power(t, v float64) {
	s.top = max(s.top, v)
	dt := t - s.lastT
	if s.powered && dt > 0 && dt <= maxBridge {
		mid := (v + s.lastP) / 2
		s.joules += mid * dt
		s.between += math.Abs(v-s.lastP) / 2 * dt
		s.counted += dt
		if rated := s.tracks.rating.ActivePower(); rated > 0 {
			s.weighted += max(mid, lowLoad*rated) * dt
			i := 0
			for i < len(loadBands) && mid > loadBands[i]*rated {
				i++
			}
			s.bands[i] += dt
			s.low.add(t, dt, mid < lowLoad*rated, 1)
		}
	}
	if s.powered && dt > maxBridge {
		s.missing += dt
	}
	s.lastT, s.lastP, s.powered = t, v, true
}

// close writes the row; one of less than a minute is dropped.
func (s *soakLog) close(at float64) {
	if !s.open {
		return
	}
	s.open = false
	if at-s.from < 60 {
		return
	}
	row := model.LogRow{At: s.since, Over: seconds(at - s.from),
		Values: map[model.PointID]float64{}}
	for p, one := range s.tracks.points {
		switch {
		case one.inRow.n == 0 || one.kind == model.State:
		case one.kind == model.Energy:
			row.Values[p] = one.inRow.last
		default:
			row.Values[p] = one.inRow.mean()
		}
	}
	s.rows = append(s.rows, row)
}
