package alarms

import (
	"testing"
	"time"

	"tickover/model"
)

// marked is a machine with one rule and the journal it made.
type marked struct {
	*Machine
	journal []model.AlarmEvent
	at      model.Instant
	boots   []model.Boot
}

// step plays one value and holds the marks of the list against the indicators
// of the journal so far.
func (m *marked) step(t *testing.T, after time.Duration, v float64) model.AlarmStatus {
	t.Helper()
	m.at = m.at.Add(after)
	m.journal = append(m.journal, m.Step(&model.Scan{At: m.at,
		Samples: []model.Sample{model.GoodSample("v", v)}})...)
	live, s := m.Status()[0], Stats(m.journal, m.boots, m.at)
	stale := time.Duration(0)
	if len(s.Stale) > 0 {
		stale = s.Stale[0].For
	}
	if live.Stale != stale {
		t.Fatalf("at %s: the list says stale for %s, the indicators %s", m.at, live.Stale, stale)
	}
	if live.Chatters > 0 && (len(s.Chattering) == 0 || live.Chatters > s.Chattering[0].Times) {
		t.Fatalf("at %s: the list says %d changes in a minute, the indicators %+v", m.at,
			live.Chatters, s.Chattering)
	}
	return live
}

func markedRules() []model.AlarmRule {
	return []model.AlarmRule{{ID: "x", Label: "x", Kind: model.AboveLimit, Point: "v", Limit: 5}}
}

// Three changes in a minute mark an alarm as chattering, until ten minutes
// later; a day of standing marks it as stale, over a restart of the computer
// too. Both are what the indicators say of the journal.
func TestMarksOfTheListAreTheIndicators(t *testing.T) {
	m := &marked{Machine: New(markedRules()), at: model.Instant{Boot: 1, Offset: time.Hour},
		boots: []model.Boot{{Number: 1, First: time.Hour + time.Second}}}
	m.step(t, time.Second, 0)
	m.step(t, time.Second, 9)
	if s := m.step(t, 20*time.Second, 0); s.Chatters != 0 {
		t.Errorf("two changes are chattering: %+v", s)
	}
	if s := m.step(t, 20*time.Second, 9); s.Chatters != 3 {
		t.Errorf("three changes in 40 s are marked as %d", s.Chatters)
	}
	if s := m.step(t, 9*time.Minute+59*time.Second, 9); s.Chatters != 3 {
		t.Errorf("the mark is gone within ten minutes: %+v", s)
	}
	if s := m.step(t, time.Second, 9); s.Chatters != 0 {
		t.Errorf("the mark stays: %+v", s)
	}
	for range 10 {
		m.step(t, time.Hour, 9)
	}
	m.boots[0].Last = m.at.Offset
	m.boots = append(m.boots, model.Boot{Number: 2, First: time.Minute + time.Hour})
	again := New(markedRules())
	again.Replay(m.journal, append(m.boots[:1:1], model.Boot{Number: 2})...)
	m.Machine, m.at = again, model.Instant{Boot: 2, Offset: time.Minute}
	for range 13 {
		if s := m.step(t, time.Hour, 9); s.Stale != 0 {
			t.Errorf("stale at %s: %+v", m.at, s)
		}
	}
	stood := m.step(t, 2*time.Hour, 9).Stale
	if want := 10*time.Minute + 10*time.Hour + 14*time.Hour; stood != want {
		t.Errorf("stands for %s, want %s", stood, want)
	}
	if s := m.step(t, time.Second, 0); s.Stale != 0 {
		t.Errorf("gone and still stale: %+v", s)
	}
}

// A restart within the boot keeps both marks.
func TestMarksOutliveARestart(t *testing.T) {
	m := &marked{Machine: New(markedRules()), at: model.Instant{Boot: 3, Offset: time.Minute},
		boots: []model.Boot{{Number: 3, First: time.Minute + time.Second}}}
	m.step(t, time.Second, 0)
	for _, v := range []float64{9, 0, 9} {
		m.step(t, 5*time.Second, v)
	}
	again := New(markedRules())
	again.Replay(m.journal, model.Boot{Number: 3, First: m.boots[0].First, Last: m.at.Offset})
	m.Machine = again
	if s := m.step(t, 10*time.Second, 9); s.Chatters != 3 {
		t.Errorf("after a restart: %+v", s)
	}
	if s := m.step(t, 25*time.Hour, 9); s.Stale != 25*time.Hour+10*time.Second {
		t.Errorf("a day after the restart: %+v", s)
	}
}
