package model

import (
	"fmt"
	"regexp"
	"strconv"
	"time"
)

// CalibrationMonths is how long a calibration counts when nothing else is said
// (common practice).
const CalibrationMonths = 12

// Validity is how long a calibration counts. The zero value says nothing.
type Validity struct {
	On     time.Time // the day it was made, UTC; zero means not said
	Months int       // how long it counts; 0 means CalibrationMonths
}

// Lasts returns the months it counts for.
func (v Validity) Lasts() int {
	if v.Months == 0 {
		return CalibrationMonths
	}
	return v.Months
}

// Overdue says in words why a calibration does not count at a time; "" when it
// does, when its day is not said, and when the time is zero.
func (v Validity) Overdue(at time.Time) string {
	day := v.On.Format("2006-01-02")
	switch {
	case v.On.IsZero() || at.IsZero():
		return ""
	case v.On.After(at.AddDate(0, 0, 1)):
		return "its calibration is dated " + day + ", which was still to come"
	case at.After(v.On.AddDate(0, v.Lasts(), 1)):
		return fmt.Sprintf("its calibration of %s is older than %d months", day, v.Lasts())
	}
	return ""
}

var (
	calibrated = regexp.MustCompile(`(?i)\bcal[a-z.]*[^0-9]{0,12}([0-9]{4}-[0-9]{2})(-[0-9]{2})?`)
	valid      = regexp.MustCompile(`(?i)\bvalid[^0-9]{0,6}([0-9]{1,3}) months`)
)

// CalibrationIn finds the day of the calibration in the words for an
// instrument, such as "tester 12, calibrated 2026-03, valid 24 months". A month
// counts as its last day. False when there is none.
func CalibrationIn(words string) (v Validity, ok bool) {
	found := calibrated.FindStringSubmatch(words)
	if found == nil {
		return v, false
	}
	day, err := time.Parse("2006-01-02", found[1]+found[2])
	if found[2] == "" {
		if day, err = time.Parse("2006-01", found[1]); err == nil {
			day = day.AddDate(0, 1, -1)
		}
	}
	if m := valid.FindStringSubmatch(words); m != nil {
		v.Months, _ = strconv.Atoi(m[1]) // three digits
	}
	v.On = day
	return v, err == nil
}
