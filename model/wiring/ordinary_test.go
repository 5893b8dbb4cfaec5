package wiring

import (
	"strings"
	"testing"
	"time"

	"tickover/model"
)

// one hands a watch one reading of one point.
func (w *Evidence) one(i int, s model.Sample) {
	w.Step(&model.Scan{Group: "meter/1s", At: model.Instant{Boot: 1, Offset: time.Duration(i) * time.Second}, Samples: []model.Sample{s}, Measured: 1})
}

// From the words as they come off the wire: a register described in the wrong
// order, or as a whole number, with and without a plausible window, is told
// how it makes sense.
func TestWordOrderFromRawWords(t *testing.T) {
	tenth := model.Resolution{Num: 1, Den: 10}
	for _, c := range []struct {
		name      string
		meter     model.Register // as the meter sends it
		described model.RegisterType
		scale     model.Resolution
	}{
		{"float", model.Register{Type: model.Float32}, model.Float32, model.Resolution{}},
		{"whole number", model.Register{Type: model.Int32, Resolution: tenth}, model.Int32, tenth},
		{"float of four registers", model.Register{Type: model.Float64}, model.Float64, model.Resolution{}},
		{"float taken for a whole number", model.Register{Type: model.Float32}, model.Int32, model.Resolution{Num: 1, Den: 1}},
	} {
		for sent := range model.WordOrder(4) {
			for order := range model.WordOrder(4) {
				if sent == order && c.meter.Type == c.described {
					continue
				}
				for _, window := range []float64{0, 500} {
					c.meter.Order = sent
					p := model.Point{ID: model.VoltageL1N, Quantity: model.Voltage, High: window,
						Register: model.Register{Type: c.described, Order: order, Resolution: c.scale}}
					w := NewEvidence(model.Setup{Devices: []model.Device{{Name: "meter", Points: []model.Point{p}}}})
					for i := range 40 {
						w.one(i, p.Sample(c.meter.Encode(229.7+0.1*float64(i%9), 0), 0))
					}
					got := w.orders()
					if want := "type: " + c.meter.Type.String() + ", word order: " + sent.String(); got.Outcome != model.Finding || !strings.HasSuffix(got.Words, want) {
						t.Errorf("%s sent %s, described %s, window %g: %s %q", c.name, sent, order, window, got.Outcome, got.Words)
					}
				}
			}
		}
	}
}

func TestWordOrderWithoutAnything(t *testing.T) {
	p := model.Point{ID: model.VoltageL1N, Quantity: model.Voltage, Register: model.Register{Type: model.Float32}}
	w := NewEvidence(model.Setup{Devices: []model.Device{{Name: "meter", Points: []model.Point{p}}}})
	w.one(0, model.BadSample(p.ID, model.NoAnswer))
	if c := w.orders(); c.Outcome != model.CannotTell {
		t.Errorf("%+v", c)
	}
	w.one(1, p.Sample(p.Register.Encode(230.4, 0), 0))
	if c := w.orders(); c.Outcome != model.Pass {
		t.Errorf("%+v", c)
	}
}

// Ordinary loads, without a walk: the neutral's transformer and the phase that
// falls are judged, and said to be unjudged before.
func TestOrdinaryLoadsTellNeutralAndSag(t *testing.T) {
	single := func(d *day) {
		for range 4 {
			d.Load(1, 6e3, 0.95)
			d.pass(15 * time.Second)
			d.Load(1, 0, 1)
			d.pass(15 * time.Second)
		}
	}
	alike := func(d *day) {
		d.LoadAll(18e3, 0.9)
		d.pass(30 * time.Second)
	}
	for _, c := range []struct {
		name         string
		wire         func(*day)
		loads        func(*day)
		neutral, sag model.Outcome
	}{
		{"nothing on", func(*day) {}, func(d *day) { d.pass(30 * time.Second) }, model.CannotTell, model.CannotTell},
		{"right", func(*day) {}, single, model.Pass, model.Pass},
		{"all three alike", func(*day) {}, alike, model.Pass, model.CannotTell},
		{"transformers exchanged", func(d *day) { d.WireCurrents([3]int{1, 0, 2}, [3]bool{}) }, single, model.Pass, model.Finding},
		{"voltages exchanged", func(d *day) { d.WireVoltages([4]int{0, 2, 1, 3}) }, single, model.Pass, model.Finding},
		{"neutral scaled by half", func(d *day) { d.neutralScale = 0.5 }, single, model.Finding, model.Pass},
		{"third harmonics", func(d *day) { d.neutralAdds = 8 }, alike, model.Finding, model.CannotTell},
	} {
		d := newDay(fresh+7, time.Second)
		c.wire(d)
		d.start()
		d.pass(5 * time.Second)
		c.loads(d)
		if got := d.watch.neutralCurrent(); got.Outcome != c.neutral {
			t.Errorf("%s: %+v", c.name, got)
		}
		if got := d.watch.sag(Context{}); got.Outcome != c.sag {
			t.Errorf("%s: %+v", c.name, got)
		}
	}
}

// What the logger's own computer tells is judged; nothing told is said.
func TestLoggerIsJudgedByItsOwnFacts(t *testing.T) {
	full := model.StoreHealth{FreeDisk: 8 << 30}
	well := map[model.PointID]float64{model.HostUndervoltage: 0, model.HostUndervoltageSeen: 0, model.HostThrottled: 0, model.HostTemperature: 52, model.HostCardWear: 0.1}
	with := func(id model.PointID, v float64) map[model.PointID]float64 {
		m := map[model.PointID]float64{id: v}
		for k, x := range well {
			if k != id {
				m[k] = x
			}
		}
		return m
	}
	for _, c := range []struct {
		name  string
		facts map[model.PointID]float64
		clock model.ClockSource
		store model.StoreHealth
		want  model.Outcome
		words string
	}{
		{"well", well, model.ClockSynchronised, full, model.Pass, "its supply was in order, its temperature was in order"},
		{"nothing told", nil, model.ClockSynchronised, full, model.Pass, "does not report its supply"},
		{"supply low", with(model.HostUndervoltage, 1), model.ClockSynchronised, full, model.Finding, "supply was too low"},
		{"supply was low", with(model.HostUndervoltageSeen, 1), model.ClockSynchronised, full, model.Finding, "since it was switched on"},
		{"slowed down", with(model.HostThrottled, 1), model.ClockSynchronised, full, model.Finding, "throttled"},
		{"hot", with(model.HostTemperature, 81), model.ClockSynchronised, full, model.Finding, "over 75 °C"},
		{"worn", with(model.HostCardWear, 0.9), model.ClockSynchronised, full, model.Finding, "80 % of its life"},
		{"no time", well, model.ClockUnsynchronised, full, model.CannotTell, "not confirmed"},
		{"no time and hot", with(model.HostTemperature, 81), model.ClockUnsynchronised, full, model.Finding, "not confirmed"},
		{"no time at all", well, model.ClockUnknown, full, model.Finding, "not confirmed"},
		{"card full", well, model.ClockPhone, model.StoreHealth{FreeDisk: 1 << 20}, model.Finding, "200 MiB"},
		{"store ails", well, model.ClockPhone, model.StoreHealth{Degraded: "read only", FreeDisk: -1}, model.Finding, "read only"},
	} {
		w := NewEvidence(hatchery())
		for id, v := range c.facts {
			w.Step(&model.Scan{Group: "host/10s", At: model.Instant{Boot: 1}, Samples: []model.Sample{model.GoodSample(id, v)}})
		}
		got := w.housekeeping(Context{Clock: c.clock, Store: c.store})
		if got.Outcome != c.want || !strings.Contains(got.Words, c.words) || (got.Outcome == model.Finding) != (got.Do != "") {
			t.Errorf("%s: %+v", c.name, got)
		}
	}
}

// Calibrations of sensors and of instruments are held against the day.
func TestCalibrationsMustCount(t *testing.T) {
	now := time.Date(2026, 11, 25, 0, 0, 0, 0, time.UTC)
	dates := model.Clock{Boots: []model.Boot{{Number: 1, Estimates: []model.ClockEstimate{{Wall: now.UnixNano(), Source: model.ClockPhone}}}}}
	sensed := func(on time.Time) []model.Point {
		return []model.Point{{ID: model.OilPressure, Sensor: &model.Sensor{Calibration: &model.Calibration{Validity: model.Validity{On: on}}}}}
	}
	with := func(words string) []model.Event {
		return []model.Event{{Seq: 3, At: model.Instant{Boot: 1}, Hand: &model.Measurement{Kind: model.HandMeterKind, Points: "current.l1", Instrument: words}}}
	}
	for _, c := range []struct {
		name   string
		sensed []model.Point
		hand   []model.Event
		now    time.Time
		want   model.Outcome
		words  string
	}{
		{"nothing", nil, nil, now, model.CannotTell, "has a calibration date"},
		{"in time", sensed(now.AddDate(0, -11, 0)), with("clamp 7, calibrated 2026-05"), now, model.Pass, "all 2"},
		{"sensor old", sensed(now.AddDate(0, -13, 0)), nil, now, model.Finding, "oil.pressure: its calibration of 2025-10-25 is older than 12 months"},
		{"instrument old", nil, with("clamp 7, calibrated 2025-05"), now, model.Finding, "the instrument of entry 3: its calibration of 2025-05-31 is older"},
		{"no day", sensed(time.Time{}), nil, now, model.CannotTell, "oil.pressure has no calibration date"},
		{"no clock", sensed(now), nil, time.Time{}, model.CannotTell, "the date is not known"},
	} {
		w := NewEvidence(model.Setup{Sensed: c.sensed})
		if got := w.calibrations(Context{Hand: c.hand, Now: c.now, Dates: dates}); got.Outcome != c.want || !strings.Contains(got.Words, c.words) {
			t.Errorf("%s: %+v", c.name, got)
		}
	}
}
