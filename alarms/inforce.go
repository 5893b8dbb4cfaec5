package alarms

import (
	"slices"

	"tickover/model"
)

// InForce returns the rules that judge a set: the user's own, then every standard
// rule whose ID no own rule has. An own rule that replaces a standard one of several
// points and names one of them judges them all. Neither argument is changed.
func InForce(own, standard []model.AlarmRule) []model.AlarmRule {
	all := slices.Clone(own)
	for _, r := range standard {
		i := slices.IndexFunc(own, func(o model.AlarmRule) bool { return o.ID == r.ID })
		switch {
		case i < 0:
			all = append(all, r)
		case slices.Contains(r.Points, all[i].Point):
			all[i].Points = r.Points
		}
	}
	return all
}
