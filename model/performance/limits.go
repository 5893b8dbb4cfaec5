package performance

// key names a figure that a limit set may judge.
type key int

const (
	droop key = iota
	band
	differenceOff // frequency, from the frequency before the step
	differenceOn
	deviationOn // frequency, from rated
	frequencyRecoveryOn
	frequencyRecoveryOff
	voltageDeviation
	unbalanceNoLoad
	voltageRise // load off
	voltageDip  // load on
	voltageRecoveryOn
	voltageRecoveryOff
	modulation
	keys
)

// subjects gives each figure its name, the standard's symbol and its unit.
var subjects = [keys]struct{ name, symbol, unit string }{
	droop:                {"frequency droop", "δf_st", "%"},
	band:                 {"steady-state frequency band", "β_f", "%"},
	differenceOff:        {"frequency rise at load off", "δf_d+", "%"},
	differenceOn:         {"frequency dip at load on", "δf_d−", "%"},
	deviationOn:          {"frequency deviation from rated at load on", "δf_dyn−", "%"},
	frequencyRecoveryOn:  {"frequency recovery, load on", "t_f,in", "s"},
	frequencyRecoveryOff: {"frequency recovery, load off", "t_f,de", "s"},
	voltageDeviation:     {"steady-state voltage deviation", "δU_st", "%"},
	unbalanceNoLoad:      {"voltage unbalance at no load", "δU_2,0", "%"},
	voltageRise:          {"voltage rise at load off", "δU_dyn+", "%"},
	voltageDip:           {"voltage dip at load on", "δU_dyn−", "%"},
	voltageRecoveryOn:    {"voltage recovery, load on", "t_U,in", "s"},
	voltageRecoveryOff:   {"voltage recovery, load off", "t_U,de", "s"},
	modulation:           {"voltage modulation", "U_mod,s", "%"},
}

// limit is the largest magnitude allowed, in the unit of its subject.
type limit struct {
	max       float64
	plusDroop bool // the set's own droop in % is added to max
	confident string
}

// limitSet is one published set of limits.
type limitSet struct {
	name   string
	title  string
	source string
	// tolerance is the total width in % of rated frequency about the new
	// steady frequency into which it must come back (α_f); 0: the set names
	// none. tolerance is from memory for the ISO classes.
	tolerance float64
	// settle is the half-width in % of rated voltage about the new steady
	// voltage; by default of ISO 8528-5 the steady-state deviation. 0: none.
	settle float64
	limits map[key]limit
}

const (
	seen       = "seen"
	fromMemory = "from memory"
)

// sets holds the limit sets and is never changed. The values of the classes
// are those of Table 4 of ISO 8528-5, editions 2005 to 2018; the table number
// is from memory, "seen" ones were met in handbooks and specifications that
// quote it.
var sets = []limitSet{
	{"G1", "ISO 8528-5 G1", "ISO 8528-5 Table 4, class G1", 3.5, 5, map[key]limit{
		droop: {8, false, seen}, band: {2.5, false, seen},
		differenceOff: {18, false, seen}, differenceOn: {15, true, seen}, deviationOn: {15, false, fromMemory},
		frequencyRecoveryOn: {10, false, seen}, frequencyRecoveryOff: {10, false, seen},
		voltageDeviation: {5, false, seen}, unbalanceNoLoad: {1, false, fromMemory},
		voltageRise: {35, false, seen}, voltageDip: {25, false, seen},
		voltageRecoveryOn: {10, false, seen}, voltageRecoveryOff: {10, false, seen},
	}},
	{"G2", "ISO 8528-5 G2", "ISO 8528-5 Table 4, class G2", 2, 2.5, map[key]limit{
		droop: {5, false, seen}, band: {1.5, false, seen},
		differenceOff: {12, false, seen}, differenceOn: {10, true, seen}, deviationOn: {10, false, seen},
		frequencyRecoveryOn: {5, false, seen}, frequencyRecoveryOff: {5, false, seen},
		voltageDeviation: {2.5, false, seen}, unbalanceNoLoad: {1, false, seen},
		voltageRise: {25, false, seen}, voltageDip: {20, false, seen},
		voltageRecoveryOn: {6, false, seen}, voltageRecoveryOff: {6, false, seen}, modulation: {0.3, false, fromMemory},
	}},
	{"G3", "ISO 8528-5 G3", "ISO 8528-5 Table 4, class G3", 2, 1, map[key]limit{
		droop: {3, false, seen}, band: {0.5, false, seen},
		differenceOff: {10, false, seen}, differenceOn: {7, true, seen}, deviationOn: {7, false, fromMemory},
		frequencyRecoveryOn: {3, false, seen}, frequencyRecoveryOff: {3, false, seen},
		voltageDeviation: {1, false, seen}, unbalanceNoLoad: {1, false, fromMemory},
		voltageRise: {20, false, seen}, voltageDip: {15, false, seen},
		voltageRecoveryOn: {4, false, seen}, voltageRecoveryOff: {4, false, seen}, modulation: {0.3, false, fromMemory},
	}},
	// The older army set gives no band for the frequency; its voltage must
	// come back to within its steady ±0.5 %.
	{"older military", "older military set", "US Army TM 5-6115-275-14", 0, 0.5, map[key]limit{
		differenceOff: {5, false, seen}, differenceOn: {3, false, seen},
		frequencyRecoveryOn: {4, false, seen}, frequencyRecoveryOff: {6, false, seen},
		voltageDeviation: {0.5, false, seen}, voltageRise: {20, false, seen}, voltageDip: {20, false, seen},
		voltageRecoveryOn: {2, false, seen}, voltageRecoveryOff: {2, false, seen},
	}},
	// A facility specification's note on what is typical when the full load
	// comes in one step. It gives 3 to 5 s; the wider figure is taken.
	{"one-step standby", "small standby set, full load in one step", "UFGS-16264A note", 0, 0, map[key]limit{
		differenceOff: {5, false, seen}, differenceOn: {5, false, seen},
		frequencyRecoveryOn: {5, false, seen}, frequencyRecoveryOff: {5, false, seen},
		voltageDip: {30, false, seen}, voltageRecoveryOn: {5, false, seen}, voltageRecoveryOff: {5, false, seen},
	}},
}

// classes are the sets of ISO 8528-5 in sets, mildest first.
const classes = 3

// LimitSets names the limit sets known: "G1", "G2", "G3", "older military" and
// "one-step standby".
func LimitSets() []string {
	names := make([]string, len(sets))
	for i, s := range sets {
		names[i] = s.name
	}
	return names
}

// setNamed returns the index of a set, G1 for "" and for names not known.
func setNamed(name string) (index int, known bool) {
	for i, s := range sets {
		if s.name == name || s.title == name {
			return i, true
		}
	}
	return 0, name == ""
}
