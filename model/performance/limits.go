package performance

import (
	"cmp"
	"slices"

	"tickover/model"
)

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

// subject is a figure as limits know it.
type subject struct{ name, symbol, unit string }

// subjects gives each figure its name, the standard's symbol and its unit.
var subjects = func() (all [keys]subject) {
	for k, s := range model.LimitSubjects() {
		all[k] = subject{s.Name, s.Symbol, "%"}
		if s.Quantity == model.Duration {
			all[k].unit = "s"
		}
	}
	return all
}()

// limit is the largest magnitude allowed, in the unit of its subject.
type limit struct {
	max       float64
	plusDroop bool // the set's own droop in % is added to max
	confident string
	source    string // where it differs from the set's
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
	inPrint    = "seen"
	fromMemory = "from memory"
)

// sets holds the published limit sets and is never changed. The values of the classes
// are those of Table 4 of ISO 8528-5, editions 2005 to 2018; the table number
// is from memory, "seen" ones were met in handbooks and specifications that
// quote it.
var sets = []limitSet{
	{"G1", "ISO 8528-5 G1", "ISO 8528-5 Table 4, class G1", 3.5, 5, map[key]limit{
		droop: {8, false, inPrint, ""}, band: {2.5, false, inPrint, ""},
		differenceOff: {18, false, inPrint, ""}, differenceOn: {15, true, inPrint, ""},
		deviationOn:          {15, false, fromMemory, ""},
		frequencyRecoveryOn:  {10, false, inPrint, ""},
		frequencyRecoveryOff: {10, false, inPrint, ""},
		voltageDeviation:     {5, false, inPrint, ""}, unbalanceNoLoad: {1, false, fromMemory, ""},
		voltageRise: {35, false, inPrint, ""}, voltageDip: {25, false, inPrint, ""},
		voltageRecoveryOn: {10, false, inPrint, ""}, voltageRecoveryOff: {10, false, inPrint, ""},
	}},
	{"G2", "ISO 8528-5 G2", "ISO 8528-5 Table 4, class G2", 2, 2.5, map[key]limit{
		droop: {5, false, inPrint, ""}, band: {1.5, false, inPrint, ""},
		differenceOff: {12, false, inPrint, ""}, differenceOn: {10, true, inPrint, ""},
		deviationOn:         {10, false, inPrint, ""},
		frequencyRecoveryOn: {5, false, inPrint, ""}, frequencyRecoveryOff: {5, false, inPrint, ""},
		voltageDeviation: {2.5, false, inPrint, ""}, unbalanceNoLoad: {1, false, inPrint, ""},
		voltageRise: {25, false, inPrint, ""}, voltageDip: {20, false, inPrint, ""},
		voltageRecoveryOn: {6, false, inPrint, ""}, voltageRecoveryOff: {6, false, inPrint, ""},
		modulation: {0.3, false, fromMemory, ""},
	}},
	{"G3", "ISO 8528-5 G3", "ISO 8528-5 Table 4, class G3", 2, 1, map[key]limit{
		droop: {3, false, inPrint, ""}, band: {0.5, false, inPrint, ""},
		differenceOff: {10, false, inPrint, ""}, differenceOn: {7, true, inPrint, ""},
		deviationOn:         {7, false, fromMemory, ""},
		frequencyRecoveryOn: {3, false, inPrint, ""}, frequencyRecoveryOff: {3, false, inPrint, ""},
		voltageDeviation: {1, false, inPrint, ""}, unbalanceNoLoad: {1, false, fromMemory, ""},
		voltageRise: {20, false, inPrint, ""}, voltageDip: {15, false, inPrint, ""},
		voltageRecoveryOn: {4, false, inPrint, ""}, voltageRecoveryOff: {4, false, inPrint, ""},
		modulation: {0.3, false, fromMemory, ""},
	}},
	{"G4", "ISO 8528-5 G4", "ISO 8528-5, class G4: agreed between maker and customer", 0, 0, nil},
	// The older army set gives no band for the frequency; its voltage must
	// come back to within its steady ±0.5 %.
	{"older military", "older military set", "US Army TM 5-6115-275-14", 0, 0.5, map[key]limit{
		differenceOff: {5, false, inPrint, ""}, differenceOn: {3, false, inPrint, ""},
		frequencyRecoveryOn: {4, false, inPrint, ""}, frequencyRecoveryOff: {6, false, inPrint, ""},
		voltageDeviation: {0.5, false, inPrint, ""},
		voltageRise:      {20, false, inPrint, ""}, voltageDip: {20, false, inPrint, ""},
		voltageRecoveryOn: {2, false, inPrint, ""}, voltageRecoveryOff: {2, false, inPrint, ""},
	}},
	// A facility specification's note on what is typical when the full load
	// comes in one step. It gives 3 to 5 s; the wider figure is taken.
	{"one-step standby", "small standby set, full load in one step",
		"UFGS-16264A note", 0, 0, map[key]limit{
			differenceOff: {5, false, inPrint, ""}, differenceOn: {5, false, inPrint, ""},
			frequencyRecoveryOn:  {5, false, inPrint, ""},
			frequencyRecoveryOff: {5, false, inPrint, ""},
			voltageDip:           {30, false, inPrint, ""},
			voltageRecoveryOn:    {5, false, inPrint, ""},
			voltageRecoveryOff:   {5, false, inPrint, ""},
		}},
}

// classes are the sets of ISO 8528-5 in sets, mildest first.
const classes = 3

// withOwn returns the sets known with the user's own after them. One of the
// name of a known set takes its place.
func withUserSets(own []model.LimitSet) []limitSet {
	all := slices.Clone(sets)
	for _, o := range own {
		one := convert(all, o)
		if i, ok := setNamed(all, o.Name); ok && o.Name != "" {
			all[i] = one
		} else {
			all = append(all, one)
		}
	}
	return all
}

// convert makes a set of the user's own, on top of the one it is based on.
func convert(known []limitSet, o model.LimitSet) limitSet {
	one := limitSet{name: o.Name, title: "limit set " + o.Name,
		source: cmp.Or(o.Source, "the configuration"), limits: map[key]limit{}}
	if i, ok := setNamed(known, o.BasedOn); ok && o.BasedOn != "" {
		base := known[i]
		one.tolerance, one.settle = base.tolerance, base.settle
		for k, l := range base.limits {
			l.source = cmp.Or(l.source, base.source)
			one.limits[k] = l
		}
	}
	for k, s := range model.LimitSubjects() {
		if v, ok := o.Limits[s.Name]; ok {
			one.limits[key(k)] = limit{max: inUnit(v, s.Quantity), confident: "the user's own"}
		}
	}
	if v, ok := o.Limits[model.FrequencyTolerance]; ok {
		one.tolerance = 100 * v
	}
	if v, ok := o.Limits[model.VoltageTolerance]; ok {
		one.settle = 100 * v
	}
	return one
}

// inUnit turns a limit into the unit of its subject.
func inUnit(v float64, q model.Quantity) float64 {
	if q == model.Ratio {
		return 100 * v
	}
	return v
}

// setNamed returns the index of a set, G1 for "" and for names not known.
func setNamed(all []limitSet, name string) (index int, known bool) {
	for i, s := range all {
		if s.name == name || s.title == name {
			return i, true
		}
	}
	return 0, name == ""
}

// SteadyBands returns what the limit set of that name allows of a steady set,
// as shares of the rated values: the full width of the frequency band and the
// voltage deviation to each side. 0 means that the set names no such limit.
// The name "" is G1; own sets take precedence over published ones of the same name.
func SteadyBands(name string, own []model.LimitSet) (frequency, voltage float64, title string) {
	all := withUserSets(own)
	i, _ := setNamed(all, name)
	return all[i].limits[band].max / 100, all[i].limits[voltageDeviation].max / 100, all[i].title
}
