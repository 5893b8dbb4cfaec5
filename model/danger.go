package model

// Danger is one thing that harms people, engine, alternator or load, and which
// instruments of a set see it.
type Danger struct {
	ID, Name    string
	Consequence string // who or what is harmed
	// Seen are the instruments that see it; none means that the set is blind to it.
	Seen []Sight
	// Blind says what the set cannot see, such as "no instrument shows a loss of
	// oil pressure"; empty when nothing lacks.
	Blind string
	// Fit names an instrument that would see it, or see it better; empty when
	// nothing lacks.
	Fit string
}

// Sight is one instrument that sees a danger, with the rules that judge it.
type Sight struct {
	Instrument string
	Points     []PointID
	Rules      []string
	Limits     string // when it does not see it; empty when it always does
}

// Unseen reports whether no instrument sees the danger.
func (d Danger) Unseen() bool { return len(d.Seen) == 0 }
