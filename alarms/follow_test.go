package alarms

import (
	"slices"
	"testing"
	"time"

	"tickover/model"
)

// A line that is cut under load announces one alarm. A restart keeps what is shown
// under it; who acknowledges the one has seen the rest; and what is raised again
// while nothing stands is announced by itself.
func TestWhatFollowsFromALossIsShownUnderIt(t *testing.T) {
	m, at := New(whole()), model.Instant{Boot: 1}
	var events []model.AlarmEvent
	play := func(seconds int, up bool, samples ...model.Sample) {
		for range seconds {
			at = at.Add(time.Second)
			events = append(events, m.Device(at, "engine", up)...)
			events = append(events, m.Device(at, "meter", up)...)
			events = append(events, m.Step(&model.Scan{At: at, Samples: samples})...)
		}
	}
	sound := []model.Sample{model.GoodSample(model.EngineStatePoint, float64(model.Loaded)),
		model.GoodSample(model.OilPressure, 3.5e5),
		model.GoodSample(model.SpeedPoint, 25), model.GoodSample(model.BatteryVoltage, 13.8),
		model.GoodSample(model.FrequencyPoint, 50)}
	silent := []model.Sample{model.BadSample(model.EngineStatePoint, model.Undefined),
		model.BadSample(model.OilPressure, model.NoAnswer),
		model.BadSample(model.SpeedPoint, model.NoAnswer),
		model.BadSample(model.BatteryVoltage, model.NoAnswer),
		model.BadSample(model.FrequencyPoint, model.NoAnswer)}
	play(20, true, sound...)
	play(2, true, silent...) // three polls without an answer are a lost device
	play(58, false, silent...)
	under := func() map[string]string {
		found := map[string]string{}
		for _, s := range m.Status() {
			if s.State == model.AlarmUnacknowledged {
				found[s.Rule.ID] = s.Under
			}
		}
		return found
	}
	want := map[string]string{"engine.blind": "", "engine.unseen": "engine.blind",
		"device.engine.lost": "engine.blind", "device.meter.lost": "engine.blind"}
	check := func(when string) {
		t.Helper()
		got := under()
		for rule, head := range want {
			if is, raised := got[rule]; !raised || is != head {
				t.Errorf("%s %s stands %v, under %q, want under %q", when, rule, raised, is, head)
			}
		}
	}
	check("after the cut")
	announced := slices.DeleteFunc(slices.Clone(events),
		func(e model.AlarmEvent) bool { return !e.Announced() })
	if len(announced) != 1 || announced[0].Rule != "engine.blind" {
		t.Errorf("announced are %v, want engine.blind alone", announced)
	}
	m = New(whole())
	m.Replay(events)
	check("after a restart")
	if _, err := m.acknowledge("engine.blind", "Ada", "", at); err != nil {
		t.Fatal(err)
	}
	for _, s := range m.Status() {
		if _, asked := want[s.Rule.ID]; asked && s.State != model.AlarmAcknowledged {
			t.Errorf("%s is %s after the alarm that it is shown under was acknowledged", s.Rule.ID,
				s.State)
		}
	}
}

// A graver alarm is never hidden under a milder one.
func TestAGraverAlarmIsAnnouncedByItself(t *testing.T) {
	m := New([]model.AlarmRule{
		{ID: "mild", Priority: model.Warning, Kind: model.AboveLimit, Point: model.OilSwitch,
			Limit: 0.5},
		{ID: "grave", Priority: model.Critical, Kind: model.AboveLimit, Point: model.ChargeLamp,
			Limit: 0.5, Follows: []string{"mild"}},
	})
	at := model.Instant{Boot: 1}
	m.Step(&model.Scan{At: at, Samples: []model.Sample{model.GoodSample(model.OilSwitch, 1)}})
	events := m.Step(&model.Scan{At: at.Add(time.Second),
		Samples: []model.Sample{model.GoodSample(model.ChargeLamp, 1)}})
	if len(events) != 1 || events[0].Under != "" {
		t.Errorf("%+v", events)
	}
}
