package model

import "time"

// AlarmStats are indicators of how alarms fared over logged time, after IEC
// 62682 and ISA-18.2. Time in which nothing was logged does not count.
type AlarmStats struct {
	Logged     time.Duration // ns, all boots together
	Raised     int           // times that any alarm was raised
	ByPriority [3]int        // of Raised, by Priority
	// Spans counts whole spans of ten minutes, laid end to end from the
	// beginning, as the standards count; 0 leaves Average, Peak and Floods
	// undetermined.
	Spans   int
	Average float64 // raised in a span, mean
	Peak    int     // most raised in any ten minutes, wherever they begin
	Floods  int     // spans with more than ten
	// Top are the ten alarms that were raised most, most first.
	Top []AlarmCount
	// Chattering are the alarms that changed three times or more within a
	// minute, with the most changes in one minute.
	Chattering []AlarmCount
	// Stale are the alarms that have stood for more than 24 h of logged time.
	Stale []AlarmStanding
}

// AlarmCount is one alarm and a number of times.
type AlarmCount struct {
	Rule, Label string
	Times       int
}

// AlarmStanding is one alarm and how long it has stood, logged time.
type AlarmStanding struct {
	Rule, Label string
	For         time.Duration
}
