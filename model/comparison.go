package model

// Comparison says how a later run differed from an earlier one.
type Comparison struct {
	Before, After string       // the runs' IDs
	Differences   []Difference // the most telling first
	Alike         int          // figures that agreed within what they may be off
	Open          []string     // what could not be compared, in words
}

// Difference is one figure that differs between two runs.
type Difference struct {
	What     string  // such as "oil pressure at 28 kW"
	Words    string  // the whole of it in words
	From, To float64 // in Unit
	Unit     string
	Weight   float64 // how many times the scatter that is usual from run to run
}
