package record

import (
	"tickover/alarms"
	"tickover/model"
)

// Rules are those in force for a set: the standard ones, the advice while the logger
// empties the starter battery, and the user's own in place of or next to them.
func Rules(setup model.Setup) []model.AlarmRule {
	supply := SupplyWatch{supply: setup.Supply, nominal: setup.Rating.Battery}.rules(setup)
	standard := alarms.Standard(setup.Rating, setup.Points(), setup.Devices)
	return alarms.InForce(setup.Alarms, append(supply, standard...))
}
