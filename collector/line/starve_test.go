package line

import (
	"context"
	"encoding/binary"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"tickover/collector"
	"tickover/collector/slave"
	"tickover/model"
)

// manners is what one unit makes of the questions to it.
type manners struct {
	only      []model.Table // tables it knows; empty for all
	fixed     bool          // it refuses reads of another length than the polled ones
	deaf      bool          // it says nothing where others refuse
	code      byte          // the exception it refuses short reads by
	busy      float64       // part of its answers that are exception 06
	hang      time.Duration // how long it takes over hangs
	hangs     uint16        // the address of the block that it hangs on
	lost, bad float64       // parts of its answers that are lost, and that are spoilt
	every     time.Duration
	counts    map[uint16]uint16 // the reads polled, by address
	table     model.Table
}

// odd is a bank of units with manners, and what they were asked.
type odd struct {
	*slave.Registers
	units map[byte]manners
	rng   *rand.Rand
	mu    sync.Mutex
	asked map[byte]map[uint16][]time.Time
	rough int // of every so many answers one is spoilt; 0 for none
	n     int
}

// asks gives when a read was asked for. The unit may still be answering.
func (o *odd) asks(unit byte, address uint16) []time.Time {
	o.mu.Lock()
	defer o.mu.Unlock()
	return slices.Clone(o.asked[unit][address])
}

// sent notes when the line puts which question to a unit, as it is asked on the
// wire: a unit that hangs comes to it later.
func (o *odd) sent(frame []byte) {
	o.mu.Lock()
	defer o.mu.Unlock()
	unit := frame[0]
	m := o.units[unit]
	if frame[1] != m.table.Function() {
		return
	}
	address, count := binary.BigEndian.Uint16(frame[2:]), binary.BigEndian.Uint16(frame[4:])
	for at := range m.counts {
		if at >= address && at < address+count {
			o.asked[unit][at] = append(o.asked[unit][at], time.Now())
		}
	}
}

func (o *odd) Read(unit byte, table model.Table, address, count uint16) ([]uint16, byte) {
	o.mu.Lock()
	defer o.mu.Unlock()
	m, ok := o.units[unit]
	if !ok {
		return nil, slave.NoSuchUnit
	}
	refuse := func(code byte) ([]uint16, byte) {
		if m.deaf {
			return nil, slave.NoSuchUnit
		}
		return nil, code
	}
	known := len(m.only) == 0
	for _, t := range m.only {
		known = known || t == table
	}
	switch {
	case !known:
		return refuse(slave.IllegalFunction)
	case o.rng.Float64() < m.busy:
		return nil, slave.DeviceBusy
	case m.fixed && m.counts[address] != count:
		return refuse(m.code)
	}
	return o.Registers.Read(unit, table, address, count)
}

func (o *odd) fault(r slave.Request) slave.Fault {
	o.mu.Lock()
	defer o.mu.Unlock()
	m := o.units[r.Unit]
	o.n++
	switch x := o.rng.Float64(); {
	case o.rough > 0 && o.n%o.rough == 0, x < m.bad:
		return slave.Fault{Kind: slave.BitError}
	case x < m.bad+m.lost:
		return slave.Fault{Kind: slave.Lost}
	case m.hang > 0 && r.Address == m.hangs && r.Count == m.counts[m.hangs]:
		return slave.Fault{Kind: slave.Late, Delay: m.hang}
	}
	return slave.Fault{}
}

// truth is a keeper that holds every good sample against the bank.
type truth struct {
	keeper
	t    *testing.T
	bank *odd
	good map[model.PointID]int
}

func (k *truth) Hand(s *model.Scan, events []model.Event) error {
	for _, sample := range s.Samples {
		var unit byte
		var address uint16
		if _, err := fmt.Sscanf(string(sample.Point), "u%d.a%d", &unit, &address); err != nil {
			k.t.Error(err)
		}
		want := number(unit, address)
		if k.bank.units[unit].table == model.InputRegisters {
			want = ^want
		}
		if sample.Quality != model.Good {
			continue
		}
		if k.good[sample.Point]++; sample.Value != float64(want) {
			k.t.Errorf("%s read as %v, want %d", sample.Point, sample.Value, want)
		}
	}
	return nil
}

// randomManners makes a unit up.
func randomManners(rng *rand.Rand) manners {
	pick := func(of int) bool { return rng.IntN(of) == 0 }
	m := manners{every: []time.Duration{time.Second, time.Second, 500 * time.Millisecond, 5 * time.Second}[rng.IntN(4)],
		code: []byte{1, 2, 3, 4, 6}[rng.IntN(5)], fixed: pick(2), deaf: pick(4), counts: map[uint16]uint16{}}
	if pick(2) {
		m.table = model.InputRegisters
	}
	if pick(2) {
		m.only = []model.Table{m.table}
	}
	if pick(3) {
		m.hang = time.Duration(rng.IntN(4500)) * time.Millisecond
		m.hangs = uint16(100 * rng.IntN(3))
	}
	if pick(4) {
		m.busy = rng.Float64() / 3
	}
	if pick(3) {
		m.lost, m.bad = rng.Float64()/8, rng.Float64()/8
	}
	for i := range uint16(2 + rng.IntN(2)) {
		m.counts[100*i] = uint16(1 + rng.IntN(2))
		if pick(2) {
			m.counts[100*i] = 1
		}
	}
	return m
}

// cast makes up what is on a line.
func cast(seed uint64) (units map[byte]manners, rough int) {
	rng := rand.New(rand.NewPCG(seed, 2))
	units = map[byte]manners{1: randomManners(rng)}
	if units[1].hang == 0 { // one that hangs keeps the slave from both
		units[2] = manners{every: time.Second, counts: map[uint16]uint16{0: 2, 100: 1}}
	}
	if rng.IntN(4) == 0 {
		rough = 2
	}
	return units, rough
}

func (m manners) device(unit byte) model.Device {
	d := model.Device{Name: fmt.Sprintf("u%d", unit), Line: "bus", Unit: unit, Every: m.every}
	for at, count := range m.counts {
		for i := range count {
			d.Points = append(d.Points, model.Point{ID: model.PointID(fmt.Sprintf("u%d.a%d", unit, at+i)),
				Register: model.Register{Table: m.table, Address: at + i, Resolution: model.Resolution{Num: 1, Den: 1}}})
		}
	}
	return d
}

// starve polls the units for a while and returns the longest time in which a
// point of each was not asked.
func starve(t *testing.T, seed uint64, rough int, units map[byte]manners, during time.Duration) (longest map[byte]time.Duration) {
	longest = map[byte]time.Duration{}
	synctest.Test(t, func(t *testing.T) {
		bank := &odd{Registers: numbers(), units: units, rng: rand.New(rand.NewPCG(seed, 1)), asked: map[byte]map[uint16][]time.Time{}, rough: rough}
		setup := model.Setup{Lines: []model.Line{{Name: "bus", Baud: 19200}}}
		for unit := range byte(4) {
			if m, ok := units[unit]; ok {
				bank.asked[unit] = map[uint16][]time.Time{}
				setup.Devices = append(setup.Devices, m.device(unit))
			}
		}
		l := bench(t, setup.Lines[0], bank, slave.Pace{Baud: 19200, Turnaround: 5 * time.Millisecond}, slave.Faults{Next: bank.fault})
		began, good := time.Now(), map[model.PointID]int{}
		c := collector.New(collector.Parts{Setup: setup, Lines: map[string]collector.Line{"bus": l}, Judge: calm{},
			Keep: &truth{keeper{}, t, bank, good}, Log: slog.New(slog.DiscardHandler),
			Derive: func(*model.Scan) *model.StateChange { return nil },
			Now:    func() model.Instant { return model.Instant{Boot: 1, Offset: time.Since(began) + time.Second} }})
		ctx, stop := context.WithTimeout(context.Background(), during)
		defer stop()
		c.Run(ctx)
		for unit, m := range units {
			for _, p := range m.device(unit).Points {
				slow := m.hang > 0 && p.Register.Address/100 == m.hangs/100
				if part := float64(good[p.ID]) / (during.Seconds() / m.every.Seconds()); m.busy+m.lost+m.bad == 0 && rough == 0 && !slow && part < 0.1 {
					longest[unit] = during // of no use
				}
			}
			for at := range m.counts {
				last := began
				for _, asked := range append(bank.asks(unit, at), time.Now()) {
					longest[unit] = max(longest[unit], asked.Sub(last))
					last = asked
				}
			}
		}
	})
	return longest
}

// within is the rule: how long a point of a unit that answers may go unasked.
func (m manners) within() time.Duration { return max(10*time.Second, 3*m.every) }

// TestAUnitThatAnswersIsNeverStarved polls units that refuse, hang, are busy,
// deaf to some questions or sit on a rough line, made up at random. Set
// LINE_STARVED to try more of them.
func TestAUnitThatAnswersIsNeverStarved(t *testing.T) {
	n := 40
	if text := os.Getenv("LINE_STARVED"); text != "" {
		var err error
		if n, err = strconv.Atoi(text); err != nil {
			t.Fatal(err)
		}
	}
	for seed := range uint64(n) {
		units, rough := cast(seed)
		for unit, gap := range starve(t, seed, rough, units, 3*time.Minute) {
			if gap > units[unit].within() {
				t.Errorf("seed %d: unit %d, %+v, one answer of %d spoilt: a point of it was not asked for %s", seed, unit, units[unit], rough, gap)
			}
		}
	}
}

// TestARefusedProbeDoesNotHoldTheQuestionBack has a unit hang for 4 s on one
// block while it refuses all reads but the polled ones.
func TestARefusedProbeDoesNotHoldTheQuestionBack(t *testing.T) {
	for _, code := range []byte{2, slave.DeviceBusy} {
		m := manners{fixed: true, code: code, only: []model.Table{model.HoldingRegisters}, every: time.Second, hang: 4 * time.Second, hangs: 100,
			counts: map[uint16]uint16{0: 2, 100: 2, 200: 2}}
		if gap := starve(t, 1, 0, map[byte]manners{1: m}, 12*time.Minute)[1]; gap > m.within() {
			t.Errorf("refusals by %02X: a point of a unit that answers was not asked for %s", code, gap)
		}
	}
}

// TestARoughLineStarvesNoUnitThatKnowsOneFunction spoils every second answer of
// a unit that knows function 04 alone.
func TestARoughLineStarvesNoUnitThatKnowsOneFunction(t *testing.T) {
	m := manners{only: []model.Table{model.InputRegisters}, table: model.InputRegisters, every: time.Second,
		counts: map[uint16]uint16{0: 2, 100: 2, 200: 2}}
	for _, rough := range []int{2, 3} {
		for _, fixed := range []bool{true, false} {
			m.fixed, m.code = fixed, 2
			if gap := starve(t, 1, rough, map[byte]manners{1: m}, 10*time.Minute)[1]; gap > m.within() {
				t.Errorf("one answer of %d spoilt, fixed %v: a point was not asked for %s", rough, fixed, gap)
			}
		}
	}
}
