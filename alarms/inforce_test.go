package alarms

import (
	"slices"
	"testing"

	"tickover/model"
)

func TestOwnRulesReplaceStandardOnesOfTheirName(t *testing.T) {
	phases := model.PhaseVoltages[:]
	own := []model.AlarmRule{
		{ID: "voltage.high", Point: phases[1], Limit: 260},
		{ID: "winding.hot", Point: model.OilTemperature},
		{ID: "own"},
	}
	standard := []model.AlarmRule{
		{ID: "oil", Limit: 1},
		{ID: "voltage.high", Point: phases[0], Points: phases, Limit: 264},
		{ID: "winding.hot", Point: model.Windings[0], Points: model.Windings[:]},
	}
	all := InForce(own, standard)
	var ids []string
	for _, r := range all {
		ids = append(ids, r.ID)
	}
	if want := []string{"voltage.high", "winding.hot", "own", "oil"}; !slices.Equal(ids, want) {
		t.Fatalf("rules %v, want %v", ids, want)
	}
	if all[0].Limit != 260 || !slices.Equal(all[0].Points, phases) {
		t.Errorf("the own rule for one phase does not judge them all by its limit: %+v", all[0])
	}
	if all[1].Points != nil {
		t.Errorf("an own rule of a point outside the standard ones judges %v", all[1].Points)
	}
	if own[0].Points != nil {
		t.Error("the user's rules were changed")
	}
}
