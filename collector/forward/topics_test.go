package forward

import (
	"encoding/json"
	"strings"
	"testing"
	"time"

	"tickover/model"
)

func exampleBroker(now time.Duration) (BrokerParts, topics) {
	snapshot := &model.Snapshot{Readings: map[model.PointID]model.Reading{
		"voltage.l1n": {Sample: model.GoodSample("voltage.l1n", 230), At: model.Instant{Boot: 1, Offset: time.Minute}}},
		Alarms: []model.AlarmStatus{{Rule: model.AlarmRule{ID: "oil.low", Label: "Oil pressure low"}}}}
	p := BrokerParts{To: model.MQTT{Name: "house", Discovery: "find", Expire: time.Minute}, Latest: func() *model.Snapshot { return snapshot },
		Now: func() model.Instant { return model.Instant{Boot: 1, Offset: now} },
		Setup: model.Setup{Rating: model.Rating{Name: "Hatchery"}, Devices: []model.Device{{Name: "meter", Every: time.Second,
			Points: []model.Point{{ID: "voltage.l1n", Quantity: model.Voltage, Every: time.Second}}}}}}
	return p, newTopics(p)
}

// After an hour without data the broker holds no value that could be believed,
// though the logger is well and publishes all the time.
func TestAnOldValueIsNotPublishedAsLive(t *testing.T) {
	for age, want := range map[time.Duration]struct{ value, available string }{
		time.Second: {"230", online}, time.Hour: {"null", offline}} {
		p, topics := exampleBroker(time.Minute + age)
		got := map[string]string{}
		for _, m := range topics.state(p, p.Latest()) {
			got[m.topic] = m.text
		}
		const topic = "tickover/hatchery/point/voltage.l1n"
		if !strings.Contains(got[topic], `"value":`+want.value) || got[topic+"/available"] != want.available {
			t.Errorf("after %s: %s, %s", age, got[topic], got[topic+"/available"])
		}
		if age == time.Hour && !strings.Contains(got[topic], model.Stale.String()) {
			t.Errorf("the cause is not said: %s", got[topic])
		}
	}
}

// Every description has an availability that our will turns, every reading an
// expiry as well, and nothing takes a command.
func TestDescriptionsExpireAndTakeNoCommands(t *testing.T) {
	p, topics := exampleBroker(time.Hour)
	all := topics.documents(p)
	if len(all) != 3 { // the reading, the engine, the alarm
		t.Errorf("%d descriptions", len(all))
	}
	for topic, d := range all {
		text, err := json.Marshal(d)
		if err != nil {
			t.Fatal(err)
		}
		if strings.Contains(string(text), "command") || d.Mode != "all" || len(d.Availability) == 0 || d.Availability[0].Topic != "tickover/hatchery/available" {
			t.Errorf("%s: %s", topic, text)
		}
		if strings.Contains(topic, "/sensor/") && d.Expire != 60 {
			t.Errorf("%s expires after %d s", topic, d.Expire)
		}
	}
}

// An alarm that is over commands nothing on the broker.
func TestAnAlarmOnTheBrokerCommandsOnlyWhileItLasts(t *testing.T) {
	status := model.AlarmStatus{Rule: model.AlarmRule{ID: "gearbox.low", Label: "Gearbox oil low", Point: "gearbox.oil", Action: "Stop it by hand."},
		State: model.AlarmUnacknowledged, Crossing: model.Crossing{Value: 39e3, Limit: 40e3, Quality: model.Good}, Value: 31e3, Quality: model.Good, Watching: true}
	parts := BrokerParts{Setup: model.Setup{Devices: []model.Device{{Points: []model.Point{{ID: "gearbox.oil", Quantity: model.Pressure}}}}}}
	say := func() string {
		for _, p := range (topics{base: "set"}).state(parts, &model.Snapshot{Alarms: []model.AlarmStatus{status}}) {
			if p.topic == "set/alarm/gearbox.low" {
				return p.text
			}
		}
		return ""
	}
	if got := say(); !strings.Contains(got, `"text":"fell to 0.39 bar (limit 0.40). Now 0.31 bar.","action":"Stop it by hand."`) {
		t.Errorf("while it lasts: %s", got)
	}
	status.State, status.Value = model.AlarmLatchedUnacknowledged, 320e3
	if got := say(); !strings.Contains(got, `"text":"fell to 0.39 bar (limit 0.40). Now 3.20 bar: back to normal.","action":""`) {
		t.Errorf("when it is over: %s", got)
	}
}
