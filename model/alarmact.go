package model

import (
	"slices"
	"time"
)

// AlarmVerb is what a person does to an alarm. The zero value is Acknowledge.
type AlarmVerb uint8

// The verbs. None of them clears a condition.
const (
	Acknowledge     AlarmVerb = iota // it was seen; of a latched alarm that was seen already, its reset
	Shelve                           // put aside for a time
	Unshelve                         // end that early
	OutOfService                     // not watched until returned, for repairs
	ReturnToService                  // end that
	Reset                            // it is over and was seen; refused while the condition lasts
)

var alarmVerbs = []string{"acknowledge", "shelve", "unshelve", "out-of-service", "in-service", "reset"}

// String names the verb as the command line and the API do.
func (v AlarmVerb) String() string { return word(alarmVerbs, int(v)) }

// AlarmVerbNamed finds a verb by that name; false when there is none.
func AlarmVerbNamed(name string) (AlarmVerb, bool) {
	i := slices.Index(alarmVerbs, name)
	return AlarmVerb(max(i, 0)), i >= 0
}

// AlarmAct is what a person does to one alarm.
type AlarmAct struct {
	Verb AlarmVerb
	Rule string
	Who  string        // never empty
	Why  string        // must be given for Shelve and OutOfService
	For  time.Duration // for Shelve: how long, more than 0 and at most a day
}
