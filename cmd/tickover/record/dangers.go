package record

import (
	"tickover/alarms"
	"tickover/model"
)

// Dangers says which instruments of the set see which danger.
func (s *Reader) Dangers() []model.Danger { return DangersOf(s.setup) }

func DangersOf(setup model.Setup) []model.Danger {
	return alarms.Dangers(Rules(setup), setup.Points())
}

// uncovered says for the report which dangers of the run could not be seen.
func uncovered(setup model.Setup) []string {
	var words []string
	for _, d := range DangersOf(setup) {
		if d.Blind != "" {
			words = append(words, "Not monitored: "+d.Blind+".")
		}
	}
	return words
}
