package running

import (
	"fmt"
	"strings"

	"tickover/model"
)

// evidence is the text of why a state was entered: the signals for it, the strongest question
// first, then the signals against it.
func (v view) evidence(to model.EngineState) string {
	if to == model.EngineUnknown {
		return "no signals"
	}
	asked, yes := v.turning, to.Turning()
	if to.Running() && len(v.firing) > 0 {
		asked, yes = v.firing, true
	}
	if to == model.RunningDown && v.firing.sum() < 0 {
		asked, yes = v.firing, false
	}
	var signals []string
	for _, vote := range asked {
		if vote.weight > 0 == yes {
			signals = append(signals, describe(vote.point, vote.value))
		}
	}
	signals = append(signals, v.also(to, asked)...)
	var against []string
	for _, vote := range asked {
		if vote.weight > 0 != yes {
			against = append(against, describe(vote.point, vote.value))
		}
	}
	if len(against) > 0 {
		return strings.Join(signals, ", ") + "; against: " + strings.Join(against, ", ")
	}
	return strings.Join(signals, ", ")
}

// also names the load where it decided.
func (v view) also(to model.EngineState, asked votes) []string {
	if (to != model.Loaded && to != model.Unloaded) || !v.load.known {
		return nil
	}
	for _, vote := range asked {
		if vote.point == v.load.by {
			return nil
		}
	}
	return []string{describe(v.load.by, v.load.value)}
}

func describe(id model.PointID, value float64) string {
	switch id {
	case model.SpeedPoint:
		return fmt.Sprintf("speed %.0f r/min", value*60)
	case model.FrequencyPoint:
		return fmt.Sprintf("%.1f Hz", value)
	case model.OilPressure:
		return fmt.Sprintf("oil %.1f bar", value/1e5)
	case model.BatteryVoltage:
		return fmt.Sprintf("battery %.1f V", value)
	case model.PowerActive:
		return fmt.Sprintf("load %.1f kW", value/1000)
	case model.ChargeLamp:
		return "charge lamp " + map[bool]string{true: "lit", false: "out"}[value != 0]
	}
	q, _ := model.KnownQuantity(id)
	return strings.TrimSpace(fmt.Sprintf("%s %.0f %s",
		strings.ToUpper(string(id[strings.LastIndexByte(string(id), '.')+1:])), value, q.Unit()))
}
