package page

import (
	"strings"
	"testing"
	"time"

	"tickover/model"
)

func TestTheLoggerItselfIsShownInOneLine(t *testing.T) {
	type facts map[model.PointID]float64
	for _, c := range []struct {
		told facts
		age  time.Duration
		want string
	}{
		{facts{model.HostTemperature: 61.8, model.HostUndervoltage: 0, model.HostUndervoltageSeen: 0, model.HostThrottled: 0, model.HostCardWear: 0.3},
			12 * time.Second, "Logger: 61.8 °C, supply OK, card wear 30.0 %<"},
		{facts{model.HostTemperature: 84, model.HostUndervoltage: 1, model.HostUndervoltageSeen: 1, model.HostThrottled: 1},
			2 * time.Second, "Logger: 84.0 °C, supply voltage too low, processor slowed by heat or low supply<"},
		{facts{model.HostUndervoltage: 0, model.HostUndervoltageSeen: 1}, 2 * time.Second, "Logger: supply voltage was too low since power-up<"},
		{facts{}, 0, ""},
		{facts{model.HostTemperature: 61.8}, time.Hour, ""}, // too old to be believed
	} {
		s := hatchery()
		for id, v := range c.told {
			s.snap.Readings[id] = reading(id, v, c.age)
		}
		body := ask(serve(s, Options{}), "GET", "/", "").Body.String()
		if c.want == "" && strings.Contains(body, "Logger:") || !strings.Contains(body, c.want) {
			t.Errorf("%v: the page does not show %q", c.told, c.want)
		}
	}
}
