package collector

import (
	"slices"
	"testing"
	"time"

	"tickover/model"
)

func change(rule, who string, to model.AlarmState, at model.Instant) model.Event {
	return model.Event{At: at, Kind: model.AlarmTransition, Alarm: &model.AlarmEvent{At: at, Rule: rule, To: to, Who: who}}
}

// An alarm that chatters three times a second wrote 10,858 events an hour. Now
// the journal takes 60 an hour, counts the others and ends in the state that the
// alarm is in; another alarm and what people do are written as ever.
func TestAChatteringAlarmIsWrittenSixtyTimesAnHour(t *testing.T) {
	d := newDamper()
	var all []model.Event
	at := model.Instant{Boot: 1, Offset: time.Hour}
	changes, people := 0, 0
	states := []model.AlarmState{model.AlarmUnacknowledged, model.AlarmNormal}
	for i := range 3 * 3 * 3600 {
		at = at.Add(time.Second / 3)
		events := []model.Event{change("chatters", "", states[i%2], at)}
		changes++
		if i%1800 == 0 {
			events = append(events, change("chatters", "Marta", model.AlarmAcknowledged, at), change("quiet", "", states[i/1800%2], at))
			people++
		}
		all = append(all, d.pass(at, events)...)
	}
	all = append(all, d.rest()...)
	written, leftOut, acts, others := []model.Instant{}, 0, 0, 0
	for _, e := range all {
		switch {
		case e.Alarm.Who != "":
			acts++
		case e.Alarm.Rule == "quiet":
			others++
		default:
			written, leftOut = append(written, e.At), leftOut+e.Alarm.LeftOut
		}
	}
	if acts != people || others != people {
		t.Errorf("%d acts and %d other alarms written of %d each", acts, others, people)
	}
	if len(written)+leftOut != changes {
		t.Errorf("%d changes written and %d counted of %d", len(written), leftOut, changes)
	}
	for i := range written {
		j := i
		for j < len(written) && written[j].Before(written[i].Add(time.Hour)) {
			j++
		}
		// Before each of a person's acts the state it began from is written too.
		if n := j - i; n > mostChanges+6 {
			t.Fatalf("%d changes written within an hour", n)
		}
	}
	if n := len(written); n < 3*40 {
		t.Errorf("only %d changes written in three hours", n)
	}
	last := slices.IndexFunc(all, func(e model.Event) bool { return e.At == at })
	if last < 0 || all[last].Alarm.To != states[(changes-1)%2] {
		t.Error("the journal does not end in the state of the alarm")
	}
}
