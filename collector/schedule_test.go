package collector

import (
	"context"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"tickover/model"
)

// scripted is a line whose answers a test makes up. Each takes its time.
type scripted struct {
	answer func(q model.ReadRequest) error // nil: every register holds value
	value  func(q model.ReadRequest) uint16
	takes  time.Duration
	gone   atomic.Bool
	opened int
	log    []asked
	// measured tells how soon its one unit answers; nil for nothing.
	measured *model.UnitHealth
	mu       sync.Mutex // guards measured
}

type asked struct {
	at time.Time
	q  model.ReadRequest
}

func (l *scripted) Open(context.Context) error {
	l.opened++
	if l.gone.Load() {
		return &model.ReadError{Cause: model.LineClosed}
	}
	return nil
}

func (l *scripted) Read(ctx context.Context, q model.ReadRequest) (model.Answer, error) {
	if l.gone.Load() {
		return model.Answer{}, &model.ReadError{Cause: model.LineClosed, Request: q.String()}
	}
	l.log = append(l.log, asked{time.Now(), q})
	time.Sleep(l.takes)
	if l.answer != nil {
		if err := l.answer(q); err != nil {
			return model.Answer{}, err
		}
	}
	if l.measured != nil {
		l.mu.Lock()
		l.measured.Latency.Add(l.takes)
		l.mu.Unlock()
	}
	words := make([]uint16, q.Count)
	for i := range words {
		words[i] = 1
		if l.value != nil {
			words[i] = l.value(q)
		}
	}
	return model.Answer{Words: words}, nil
}

func (l *scripted) Health() model.LineHealth {
	h := model.LineHealth{Open: !l.gone.Load()}
	if l.measured != nil {
		l.mu.Lock()
		defer l.mu.Unlock()
		h.Units = []model.UnitHealth{*l.measured}
	}
	return h
}

func (l *scripted) Close() error { return nil }

func point(id model.PointID, address uint16) model.Point {
	return model.Point{ID: id, Register: model.Register{Address: address}}
}

// newScripted is a collector on one scripted line.
func newScripted(l *scripted, derive func(*model.Scan) *model.StateChange, devices ...model.Device) (*Collector, *fakeKeeper) {
	p, keep := scriptedParts(l, derive, devices...)
	return New(p), keep
}

func scriptedParts(l *scripted, derive func(*model.Scan) *model.StateChange, devices ...model.Device) (Parts, *fakeKeeper) {
	start := time.Now()
	keep := &fakeKeeper{}
	if derive == nil {
		derive = func(*model.Scan) *model.StateChange { return nil }
	}
	return Parts{
		Setup: model.Setup{Lines: []model.Line{{Name: "skid"}}, Devices: devices,
			Rating: model.Rating{ApparentPower: 50e3, PowerFactor: 0.8, Voltage: 400, Frequency: 50, Battery: 12}},
		Lines: map[string]Line{"skid": l}, Judge: &fakeJudge{}, Keep: keep, Derive: derive,
		Now: func() model.Instant { return model.Instant{Boot: 1, Offset: time.Since(start) + time.Second} },
		Log: slog.New(slog.DiscardHandler),
	}, keep
}

func runFor(c *Collector, d time.Duration) {
	ctx, stop := context.WithTimeout(context.Background(), d)
	defer stop()
	c.Run(ctx)
}

// TestOilPressureAndFrequencyGoFirst polls four devices whose groups are due
// at the same time: the one with oil pressure is asked first, and within a
// device the read with the frequency.
func TestOilPressureAndFrequencyGoFirst(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := &scripted{takes: 30 * time.Millisecond}
		other := model.Device{Name: "other", Line: "skid", Unit: 1, Every: 500 * time.Millisecond, Points: []model.Point{point("other", 0)}}
		meter := model.Device{Name: "meter", Line: "skid", Unit: 2, Every: time.Second,
			Points: []model.Point{point("energy", 0), point(model.FrequencyPoint, 9000)}}
		engine := model.Device{Name: "engine", Line: "skid", Unit: 3, Every: time.Second, Points: []model.Point{point(model.OilPressure, 0)}}
		c, _ := newScripted(l, nil, other, meter, engine)
		runFor(c, 900*time.Millisecond)
		var order []string
		for _, a := range l.log {
			order = append(order, a.q.String())
		}
		if i := slices.IndexFunc(l.log, func(a asked) bool { return a.q.Unit == 1 }); i < 2 {
			t.Errorf("oil pressure and frequency do not go first: %s", strings.Join(order, "; "))
		}
		i := slices.IndexFunc(l.log, func(a asked) bool { return a.q.Unit == 2 })
		if l.log[i].q.Address != 9000 {
			t.Errorf("the meter's frequency does not go first: %s", strings.Join(order, "; "))
		}
	})
}

// TestALongRoundLetsOthersGo has a slow unit with nine blocks and a quick one due
// at the same time: it is asked as soon as the round has taken yieldAfter, and the
// round goes on after it.
func TestALongRoundLetsOthersGo(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := &scripted{takes: 80 * time.Millisecond}
		slow := model.Device{Name: "slow", Line: "skid", Unit: 1, Every: 2 * time.Second}
		for i := range 9 {
			slow.Points = append(slow.Points, point(model.PointID(fmt.Sprintf("slow%d", i)), uint16(1000*i)))
		}
		quick := model.Device{Name: "quick", Line: "skid", Unit: 2, Every: 3 * time.Second, Points: []model.Point{point("quick", 0)}}
		c, keep := newScripted(l, nil, slow, quick)
		runFor(c, 900*time.Millisecond)
		var order strings.Builder
		for _, a := range l.log {
			fmt.Fprint(&order, a.q.Unit)
		}
		if order.String() != "1112111111" {
			t.Errorf("asked in the order %s, want the quick unit after three questions of 80 ms", &order)
		}
		if len(keep.scans) != 2 || len(keep.scans[1].Samples) != 9 || keep.scans[1].Samples[8].Quality != model.Good {
			t.Errorf("the round did not go on: %d scans", len(keep.scans))
		}
	})
}

// TestUrgencyStarvesNobody asks more of a line than it can do.
func TestUrgencyStarvesNobody(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := &scripted{takes: 80 * time.Millisecond}
		engine := model.Device{Name: "engine", Line: "skid", Unit: 3, Every: 50 * time.Millisecond, Points: []model.Point{point(model.OilPressure, 0)}}
		other := model.Device{Name: "other", Line: "skid", Unit: 1, Every: time.Second, Points: []model.Point{point("other", 0)}}
		c, keep := newScripted(l, nil, engine, other)
		runFor(c, time.Minute)
		n := 0
		for _, s := range keep.scans {
			if s.Group == "other/1s" {
				n++
			}
		}
		if n < 25 {
			t.Errorf("%d of 60 rounds of the less urgent group", n)
		}
	})
}

// TestLineThatComesBackIsAskedAtOnce pulls the line while a unit of it has
// been dead for long, and plugs it in again with the unit mended.
func TestLineThatComesBackIsAskedAtOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var dead atomic.Bool
		dead.Store(true)
		l := &scripted{takes: 20 * time.Millisecond}
		l.answer = func(q model.ReadRequest) error {
			if q.Unit == 2 && dead.Load() {
				time.Sleep(500 * time.Millisecond)
				return &model.ReadError{Cause: model.NoAnswer}
			}
			return nil
		}
		c, keep := newScripted(l, nil, device("meter", 1), device("engine", 2))
		ctx, stop := context.WithCancel(context.Background())
		done := make(chan bool)
		go func() { c.Run(ctx); close(done) }()
		time.Sleep(10*time.Minute + 300*time.Millisecond)
		l.gone.Store(true)
		time.Sleep(20 * time.Second)
		back := time.Now()
		dead.Store(false)
		l.gone.Store(false)
		time.Sleep(5 * time.Second)
		stop()
		<-done
		first := map[byte]time.Duration{}
		for _, a := range l.log {
			if _, seen := first[a.q.Unit]; !seen && a.at.After(back) {
				first[a.q.Unit] = a.at.Sub(back)
			}
		}
		if len(first) != 2 || first[1] > reopenEvery+100*time.Millisecond || first[2] > reopenEvery+100*time.Millisecond {
			t.Errorf("after the line came back the units were asked after %v", first)
		}
		closed := 0
		for _, s := range keep.scans {
			if s.Samples[0].Cause == model.LineClosed {
				closed++
			}
		}
		if closed < 35 {
			t.Errorf("%d scans say that the line is closed, for two groups in 20 s", closed)
		}
	})
}

// TestDeadUnitWithNobodyBesideIsTriedAlways costs nobody anything, and is seen
// within a round when it comes to life.
func TestDeadUnitWithNobodyBesideIsTriedAlways(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var dead atomic.Bool
		dead.Store(true)
		l := &scripted{takes: 20 * time.Millisecond}
		l.answer = func(q model.ReadRequest) error {
			if dead.Load() {
				time.Sleep(500 * time.Millisecond)
				return &model.ReadError{Cause: model.NoAnswer}
			}
			return nil
		}
		c, keep := newScripted(l, nil, device("meter", 1))
		ctx, stop := context.WithCancel(context.Background())
		done := make(chan bool)
		go func() { c.Run(ctx); close(done) }()
		time.Sleep(10 * time.Minute)
		dead.Store(false)
		mended := c.Latest().At
		time.Sleep(2100 * time.Millisecond)
		stop()
		<-done
		good := slices.IndexFunc(keep.scans, func(s *model.Scan) bool { return s.Samples[0].Quality == model.Good })
		if good < 0 {
			t.Fatal("it was never asked again")
		}
		if after, _ := keep.scans[good].At.Sub(mended); after > 1500*time.Millisecond {
			t.Errorf("the first good scan came %s after it came to life", after)
		}
	})
}
