package model

// LimitSubject is a figure that a set of limits may judge.
type LimitSubject struct {
	Name     string   // in words, such as "frequency droop"
	Symbol   string   // the standard's, such as "δf_st"
	Quantity Quantity // Ratio or Duration: what its limit is written as
}

// LimitSubjects lists what a set of limits may judge, in the order of ISO
// 8528-5.
func LimitSubjects() []LimitSubject {
	return []LimitSubject{
		{"frequency droop", "δf_st", Ratio},
		{"steady-state frequency band", "β_f", Ratio},
		{"frequency rise at load off", "δf_d+", Ratio},
		{"frequency dip at load on", "δf_d−", Ratio},
		{"frequency deviation from rated at load on", "δf_dyn−", Ratio},
		{"frequency recovery, load on", "t_f,in", Duration},
		{"frequency recovery, load off", "t_f,de", Duration},
		{"steady-state voltage deviation", "δU_st", Ratio},
		{"voltage unbalance at no load", "δU_2,0", Ratio},
		{"voltage rise at load off", "δU_dyn+", Ratio},
		{"voltage dip at load on", "δU_dyn−", Ratio},
		{"voltage recovery, load on", "t_U,in", Duration},
		{"voltage recovery, load off", "t_U,de", Duration},
		{"voltage modulation", "U_mod,s", Ratio},
	}
}

// What a set of limits needs besides limits to judge how fast the set recovers.
const (
	FrequencyTolerance = "frequency tolerance band" // α_f: total width of rated about the new steady frequency
	VoltageTolerance   = "voltage tolerance"        // half-width of rated about the new steady voltage
)

// PublishedLimitSets names the sets of limits that are known without a
// configuration. G4 has no limits: maker and customer agree on them.
func PublishedLimitSets() []string {
	return []string{"G1", "G2", "G3", "G4", "older military", "one-step standby"}
}

// LimitSet is a set of limits of the user's own.
type LimitSet struct {
	Name    string
	BasedOn string // the set whose limits hold where this one names none; empty means none
	Source  string // who set them; empty means the configuration
	// Limits are the largest magnitudes allowed, in canonical units, by the
	// name of their LimitSubject or tolerance.
	Limits map[string]float64
}
