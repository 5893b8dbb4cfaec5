package collector

import (
	"errors"
	"fmt"
	"slices"
	"time"

	"tickover/model"
)

// Group is the points of one device that are polled at one interval. They
// share a scan.
type Group struct {
	Name   string // device and interval, such as "meter/1s"
	Device model.Device
	Every  time.Duration
	Points []int // indices into Device.Points
	Reads  []Read
	// Turnaround is how soon the unit is taken to begin its answers.
	Turnaround time.Duration
	first      int // the read that the next round begins with
}

// Groups splits the devices of a line into groups and plans their reads by the
// turnaround assumed.
func Groups(l model.Line, devices []model.Device) []*Group {
	var groups []*Group
	for _, d := range devices {
		if d.Line != l.Name {
			continue
		}
		byInterval := map[time.Duration]*Group{}
		for i, p := range d.Points {
			every := interval(d, p)
			g := byInterval[every]
			if g == nil {
				g = &Group{Name: fmt.Sprintf("%s/%s", d.Name, every), Device: d, Every: every, Turnaround: Turnaround}
				byInterval[every] = g
				groups = append(groups, g)
			}
			g.Points = append(g.Points, i)
		}
	}
	for _, g := range groups {
		g.Reads = planReads(l, g.Device, g.Points, g.Turnaround)
	}
	return groups
}

// LeastBurst is the shortest interval of a burst: one period at 50 Hz, within
// which no meter has a newer value.
const LeastBurst = 20 * time.Millisecond

// FastGroups makes the groups that are polled back to back during a burst: the
// fast points of each device of the line.
func FastGroups(l model.Line, devices []model.Device) []*Group {
	var groups []*Group
	for _, d := range devices {
		if d.Line != l.Name {
			continue
		}
		g := &Group{Name: d.Name + "/fast", Device: d, Every: LeastBurst, Turnaround: Turnaround}
		for i, p := range d.Points {
			if p.Fast {
				g.Points = append(g.Points, i)
			}
		}
		if len(g.Points) > 0 {
			g.Reads = planReads(l, d, g.Points, g.Turnaround)
			groups = append(groups, g)
		}
	}
	return groups
}

// interval returns a point's poll interval: its own, its device's, or 1 s.
func interval(d model.Device, p model.Point) time.Duration {
	switch {
	case p.Every > 0:
		return p.Every
	case d.Every > 0:
		return d.Every
	}
	return time.Second
}

// Cost returns how long one round over the group occupies the line.
func (g *Group) Cost(l model.Line) time.Duration {
	var sum time.Duration
	for _, r := range g.Reads {
		sum += WireTime(l, g.Device, r.Table, int(r.Count), g.Turnaround)
	}
	return sum
}

// registers are those that one answer of a round holds.
type registers struct {
	table model.Table
	from  int
	data  []uint16
	at    time.Duration // lag of the answer
}

// Scan asks the group's questions in order and decodes the answers. It returns
// how many were asked and the first failure; the scan is complete all the
// same, with Bad samples where there was no answer. After a unit or a line
// gave no answer at all the rest of the round is not asked, and the next round
// begins with it. What read answers with errDeferred is not asked this time.
func (g *Group) Scan(at model.Instant, now func() model.Instant, read reader) (
	scan *model.Scan, asked int, failure error,
) {
	answers := make([]answered, 0, len(g.Reads))
	order := slices.Concat(g.Reads[g.first:], g.Reads[:g.first])
	for i, q := range order {
		a, err := read(q.ReadRequest)
		if errors.Is(err, errDeferred) {
			answers = append(answers, unasked(order[i:i+1], model.NoAnswer)...)
			continue
		}
		asked++
		if err == nil {
			lag, _ := now().Sub(at)
			lag = max(lag, 0).Round(time.Millisecond) // all that the store keeps: both must tell the same
			got := registers{q.Table, int(q.Address), a.Words, lag}
			answers = append(answers, answered{registers: got})
			continue
		}
		if failure == nil {
			failure = err
		}
		cause := causeOf(err)
		if cause == model.NoAnswer || cause == model.LineClosed {
			g.first = (g.first + i + 1) % len(g.Reads)
			return g.decode(at, append(answers, unasked(order[i:], cause)...)), asked, failure
		}
		answers = append(answers, unasked(order[i:i+1], cause)...)
	}
	g.first = 0
	return g.decode(at, answers), asked, failure
}

// unasked makes the answers of reads that failed or were not tried.
func unasked(reads []Read, cause model.Cause) []answered {
	var all []answered
	for _, q := range reads {
		none := registers{table: q.Table, from: int(q.Address), data: make([]uint16, q.Count)}
		all = append(all, answered{none, cause})
	}
	return all
}

// decode turns the group's answers into its scan. An answer that failed
// carries its cause.
func (g *Group) decode(at model.Instant, answers []answered) *model.Scan {
	scan := &model.Scan{Group: g.Name, At: at, Samples: make([]model.Sample, len(g.Points), len(g.Points)+24)}
	for i, p := range g.Points {
		scan.Samples[i] = g.sample(&g.Device.Points[p], answers)
	}
	scan.Measured = len(scan.Samples)
	return scan
}

// answered is one read's outcome.
type answered struct {
	registers
	cause model.Cause
}

func (g *Group) sample(p *model.Point, answers []answered) model.Sample {
	r := p.Register
	a, cause := find(answers, r.Table, int(r.Address), r.Type.Words())
	if cause != model.NoCause {
		return model.BadSample(p.ID, cause)
	}
	var exponent int16
	lag := a.at
	if r.Exponent != nil {
		e, cause := find(answers, r.Table, int(*r.Exponent), 1)
		if cause != model.NoCause {
			return model.BadSample(p.ID, cause)
		}
		exponent = int16(e.data[0])
		lag = max(lag, e.at)
	}
	s := p.Sample(a.data, exponent)
	s.Lag = lag
	return s
}

// find returns count registers from address among the answers.
func find(answers []answered, t model.Table, address, count int) (registers, model.Cause) {
	cause := model.NotPolledYet
	for _, a := range answers {
		if a.table != t || address < a.from || address+count > a.from+len(a.data) {
			continue
		}
		if a.cause != model.NoCause {
			cause = a.cause
			continue
		}
		i := address - a.from
		return registers{t, address, a.data[i : i+count], a.at}, model.NoCause
	}
	return registers{}, cause
}
