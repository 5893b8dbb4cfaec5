package page

import (
	"context"
	"errors"
	"fmt"
	"io"
	"iter"
	"sync"
	"time"

	"tickover/cmd/tickover/api"
	"tickover/model"
)

func at(d time.Duration) model.Instant { return model.Instant{Boot: 3, Offset: d} }

// now is the moment the tests look at the page.
var now = at(time.Hour)

// fakeRecord is every part of a set, which tests may change before they serve it.
type fakeRecord struct {
	mu      sync.Mutex
	snap    *model.Snapshot
	setup   model.Setup
	list    []model.Run
	events  []model.Event
	changed chan struct{}
	broken  error
	report  string
	asked   model.Query
	said    []string
	notes   []api.Note
	scans   []*model.Scan
	steps   []model.Instant
}

func (s *fakeRecord) Latest() *model.Snapshot {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.snap
}

func (s *fakeRecord) Setup() model.Setup { return s.setup }

func (s *fakeRecord) Runs(context.Context) ([]model.Run, error) { return s.list, s.broken }

func (s *fakeRecord) Report(_ context.Context, w io.Writer, run, format string) error {
	text := s.report
	if text == "" {
		text = "report of " + run + " as " + format
	}
	_, err := io.WriteString(w, text)
	return errors.Join(err, s.broken)
}

func (s *fakeRecord) Bundle(_ context.Context, w io.Writer, run string) error {
	_, err := io.WriteString(w, "bundle of "+run)
	return errors.Join(err, s.broken)
}

func (s *fakeRecord) Events(_ context.Context, q model.Query) iter.Seq2[model.Event, error] {
	return func(yield func(model.Event, error) bool) {
		for _, e := range s.events {
			if q.Within(e.At) && !yield(e, nil) {
				return
			}
		}
		if s.broken != nil {
			yield(model.Event{}, s.broken)
		}
	}
}

func (s *fakeRecord) Backup(_ context.Context, w io.Writer, run string) error {
	_, err := io.WriteString(w, "copy of "+run)
	return errors.Join(err, s.broken)
}

func (s *fakeRecord) Verify(_ context.Context, w io.Writer) error {
	_, err := io.WriteString(w, `{"found":{}}`)
	return errors.Join(err, s.broken)
}

func (s *fakeRecord) Export(_ context.Context, w io.Writer, q model.Query, _ api.Form) error {
	s.mu.Lock()
	s.asked = q
	s.mu.Unlock()
	if s.broken != nil {
		return s.broken
	}
	_, err := fmt.Fprintf(w, "time,%v\n", q.Points)
	return err
}

func (s *fakeRecord) Act(_ context.Context, a model.AlarmAct) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.broken != nil {
		return s.broken
	}
	s.said = append(s.said, a.Verb.String()+" "+a.Rule+" by "+a.Who+": "+a.Why)
	return nil
}

func (s *fakeRecord) Kept(context.Context, uint64, api.Note) error { return nil }

func (s *fakeRecord) Note(_ context.Context, said api.Note) (uint64, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	kind := "note"
	if said.Remark {
		kind = "remark"
	}
	s.notes = append(s.notes, said)
	s.said = append(s.said, kind+" by "+said.Who+": "+said.Text)
	return uint64(len(s.said)), s.broken
}

func (s *fakeRecord) Photo(_ context.Context, number uint64) ([]byte, error) {
	if number == 0 || number > uint64(len(s.notes)) {
		return nil, errors.New("no such photo")
	}
	return s.notes[number-1].Photo, nil
}

func (s *fakeRecord) SetTime(_ context.Context, now time.Time, who string) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.said = append(s.said, "time by "+who+": "+now.UTC().Format(time.RFC3339))
	return s.broken
}

func (s *fakeRecord) Readings(_ context.Context, q model.Query, _ time.Duration, take func(*model.Scan)) (time.Duration, error) {
	for _, scan := range s.scans {
		if q.Within(scan.At) {
			take(scan)
		}
	}
	return 0, s.broken
}

func (s *fakeRecord) BlackBoxes(context.Context) ([]model.BlackBox, error) {
	var clock model.Clock
	if s.snap != nil {
		clock = s.snap.Clock
	}
	return model.BlackBoxes(s.events, clock), s.broken
}

func (s *fakeRecord) CountBlackBox(_ context.Context, b *model.BlackBox) error {
	b.Scans, b.Points, b.Readings, b.Lacks = 360, 12, 4320, []string{"it is still being recorded"}
	return s.broken
}

func (s *fakeRecord) Dangers() []model.Danger {
	return []model.Danger{{ID: "co", Name: "carbon monoxide in the air", Consequence: "people: carbon monoxide kills", Blind: "no instrument shows carbon monoxide", Fit: "a CO sensor"},
		{ID: "oil", Name: "loss of oil pressure", Consequence: "engine: bearings run dry and seize",
			Seen: []model.Sight{{Instrument: "oil pressure transmitter", Points: []model.PointID{model.OilPressure}, Rules: []string{"oil.pressure.low"}}}},
		{ID: "overspeed", Name: "overspeed", Consequence: "people: flywheel or rotor may burst", Blind: "overspeed only by frequency: blind without excitation", Fit: "a speed pickup",
			Seen: []model.Sight{{Instrument: "frequency", Points: []model.PointID{model.FrequencyPoint}, Rules: []string{"frequency.high"}, Limits: "blind without excitation"}}}}
}

func (s *fakeRecord) AlarmStats(context.Context) (model.AlarmStats, error) {
	stats := model.AlarmStats{Logged: 5 * time.Minute}
	if len(s.events) > 0 {
		stats = model.AlarmStats{Logged: 25 * time.Hour, Raised: 1, ByPriority: [3]int{0, 0, 1}, Spans: 150, Average: 1. / 150, Peak: 1,
			Top:   []model.AlarmCount{{Rule: "oil.pressure.low", Label: "Oil pressure low", Times: 1}},
			Stale: []model.AlarmStanding{{Rule: "oil.pressure.low", Label: "Oil pressure low", For: 24*time.Hour + time.Minute}}}
	}
	return stats, s.broken
}

func (s *fakeRecord) Steps(_ context.Context, q model.Query) ([]model.Instant, error) {
	return s.steps, s.broken
}

func (s *fakeRecord) Changed() <-chan struct{} {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.changed
}

// next puts a new snapshot in place and tells everybody.
func (s *fakeRecord) next(snap *model.Snapshot) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.snap = snap
	if s.changed != nil {
		close(s.changed)
	}
	s.changed = make(chan struct{})
}

func reading(p model.PointID, v float64, age time.Duration) model.Reading {
	i := now.Add(-age)
	return model.Reading{Sample: model.GoodSample(p, v), At: i, Good: i, Last: v}
}

var oilLow = model.AlarmRule{ID: "oil.pressure.low", Label: "Oil pressure low", Priority: model.Critical, Point: model.OilPressure,
	Limit: 105000, Action: "Stop the engine with the lever on the injection pump.", Basis: "rule of thumb"}

var batteryLow = model.AlarmRule{ID: "battery.low", Label: "Battery not charged", Priority: model.Warning, Point: model.BatteryVoltage, Limit: 13.2}

// hatchery is a loaded set in good order.
func hatchery() *fakeRecord {
	snap := &model.Snapshot{At: now.Add(-time.Second), State: model.Loaded, Since: now.Add(-22 * time.Minute), Readings: map[model.PointID]model.Reading{},
		Alarms: []model.AlarmStatus{{Rule: oilLow, Watching: true, Limit: 105000}, {Rule: batteryLow, Watching: true, Limit: 13.2}},
		Clock: model.Clock{Boots: []model.Boot{{Number: 3, Last: time.Hour, Estimates: []model.ClockEstimate{
			{At: 0, Wall: time.Date(2025, 11, 8, 18, 0, 0, 0, time.UTC).UnixNano(), Source: model.ClockPhone}}}}}}
	for p, v := range map[model.PointID]float64{model.OilPressure: 324000, model.CoolantTemperature: 83.6, model.FrequencyPoint: 50.12,
		model.VoltageL1N: 229.7, model.VoltageL2N: 231.2, model.VoltageL3N: 233.9, model.CurrentL1: 43.2, model.CurrentL2: 12.5, model.CurrentL3: 8.1,
		model.PowerActive: 14350, model.LoadRatio: 0.359, model.BatteryVoltage: 14.08} {
		snap.Readings[p] = reading(p, v, time.Second)
	}
	return &fakeRecord{snap: snap, changed: make(chan struct{}),
		setup: model.Setup{Rating: model.Rating{Name: "Standby set"}, Alarms: []model.AlarmRule{oilLow, batteryLow}, Simulated: true},
		list: []model.Run{
			{ID: "1", Started: at(time.Minute), Ended: at(20 * time.Minute), Cranks: 3, Starts: 1, Running: 15 * time.Minute},
			{ID: "2", Started: at(30 * time.Minute), Cranks: 1, Starts: 1, Running: 29 * time.Minute, Open: true}},
		events: []model.Event{
			{Seq: 1, At: at(time.Minute), Kind: model.NoteEvent, Text: "fuel bled", Who: "Marta"},
			{Seq: 2, At: at(2 * time.Minute), Kind: model.EngineEvent, Engine: &model.StateChange{From: model.Standstill, To: model.Cranking, Evidence: "battery 9.3 V"}},
			{Seq: 3, At: at(3 * time.Minute), Kind: model.AlarmTransition, Alarm: &model.AlarmEvent{Rule: "oil.pressure.low", To: model.AlarmUnacknowledged, Priority: model.Critical}},
			{Seq: 4, At: at(40 * time.Minute), Kind: model.MeasurementEvent, Hand: &model.Measurement{Value: 12e6, Quantity: model.Resistance, Points: "U-E"}},
		}}
}

// alarmed raises the oil pressure alarm.
func (s *fakeRecord) alarmed() *fakeRecord {
	snap := *s.snap
	snap.Alarms = []model.AlarmStatus{{Rule: oilLow, State: model.AlarmUnacknowledged, Since: now.Add(-8 * time.Second),
		Raised: now.Add(-8 * time.Second), Crossing: model.Crossing{Value: 98000, Limit: 105000, Quality: model.Good}, Value: 62000, Quality: model.Good,
		Limit: 105000, Watching: true, FirstOut: true}, {Rule: batteryLow, State: model.AlarmAcknowledged, Value: 12.4, Quality: model.Good, Limit: 13.2, Watching: true}}
	s.snap = &snap
	return s
}

// partsOf serves every part that record has; tests wrap a fakeRecord to change some.
func partsOf(record any) Parts {
	var p Parts
	p.Live, _ = record.(liveData)
	p.Runs, _ = record.(runReader)
	p.Timeline, _ = record.(eventReader)
	p.Boxes, _ = record.(boxReader)
	p.Alarms, _ = record.(alarmKeeper)
	p.Trends, _ = record.(trendReader)
	p.Files, _ = record.(fileWriter)
	p.Notes, _ = record.(noteKeeper)
	p.Measurements, _ = record.(measurementKeeper)
	p.Wiring, _ = record.(wiringChecker)
	return p
}
