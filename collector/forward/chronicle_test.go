package forward

import (
	"iter"
	"strings"
	"testing"
	"time"

	"tickover/model"
)

// The engine starts at 100 s, an alarm stands from 150 s to 170 s: the states
// arrive at those moments and once a minute, also after a restart.
func TestStatesAreSentAtTheirMoments(t *testing.T) {
	y := newYard(t)
	y.now = 300 * time.Second
	y.fill(1, "meter/1s", 300, 1)
	at := func(s int) model.Instant { return model.Instant{Boot: 1, Offset: time.Duration(s) * time.Second} }
	alarm := func(s int, to model.AlarmState) model.Event {
		return model.Event{At: at(s), Alarm: &model.AlarmEvent{At: at(s), Rule: "oil", Priority: model.Critical, To: to}}
	}
	events := []model.Event{{At: at(100), Engine: &model.StateChange{To: model.Loaded}}, alarm(150, model.AlarmUnacknowledged), alarm(170, model.AlarmNormal)}
	y.parts.States = &States{
		Events: func(q model.Query) iter.Seq2[model.Event, error] {
			return func(yield func(model.Event, error) bool) {
				for _, e := range events {
					if q.Within(e.At) && !yield(e, nil) {
						return
					}
				}
			}
		},
		Engine: func(s model.EngineState) model.Series {
			return model.Series{Name: "engine", Labels: []model.Label{{Name: "state", Value: s.String()}}}
		},
		Alarm: func(id string, p model.Priority) (a, b model.Series) {
			return model.Series{Name: "active", Labels: []model.Label{{Name: "alarm", Value: id}}}, model.Series{Name: "awaits", Labels: []model.Label{{Name: "alarm", Value: id}}}
		},
	}
	w := NewWriter(y.parts)
	y.passes(t, w)
	begin := time.Unix(0, y.clock.Boots[0].Estimates[0].Wall).UnixMilli()
	value := func(series string, s int) (float64, bool) {
		for p, v := range y.stored {
			if strings.Contains(p.series, series) && p.t == begin+int64(s)*1000 {
				return v, true
			}
		}
		return 0, false
	}
	for _, c := range []struct {
		series string
		at     int
		want   float64
	}{{"state=loaded", 100, 1}, {"state=standstill", 100, 0}, {"state=loaded", 240, 1}, {"__name__=active", 150, 1}, {"__name__=active", 170, 0}, {"__name__=awaits", 150, 1}, {"__name__=active", 180, 0}} {
		if v, ok := value(c.series, c.at); !ok || v != c.want {
			t.Errorf("%s at %d s: %v, %v; want %v", c.series, c.at, v, ok, c.want)
		}
	}
	before := y.count()
	w.keep(true)
	y.now = 320 * time.Second
	events = append(events, alarm(310, model.AlarmUnacknowledged))
	for i := 300; i < 320; i++ {
		y.scans = append(y.scans, &model.Scan{Group: "meter/1s", At: at(i), Samples: []model.Sample{model.GoodSample("pa", 1)}})
	}
	y.passes(t, NewWriter(y.parts))
	if v, ok := value("__name__=active", 310); !ok || v != 1 {
		t.Errorf("after a restart: %v, %v", v, ok)
	}
	if _, ok := value("state=loaded", 100); !ok || y.again > 0 || y.count() <= before+20 {
		t.Errorf("%d stored, %d twice", y.count(), y.again)
	}
}
