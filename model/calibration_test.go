package model

import (
	"testing"
	"time"
)

func TestCalibrationIsFoundInWords(t *testing.T) {
	for words, want := range map[string]string{
		"500 V tester no. 4, calibrated 2025-03":           "2025-03-31 12",
		"clamp 7; cal. on 2026-01-15, valid for 24 months": "2026-01-15 24",
		"Tester, Calibrated: 2024-02":                      "2024-02-29 12",
		"tester 2026-03":                                   "",
		"calibrated in spring":                             "",
		"calibrated 2026-13":                               "",
		"scale 2026-01-01":                                 "",
		"":                                                 "",
	} {
		got := ""
		if v, ok := CalibrationIn(words); ok {
			got = v.On.Format("2006-01-02 ") + time.Duration(v.Lasts()).String()[:2]
		}
		if got != want {
			t.Errorf("%q: %q, want %q", words, got, want)
		}
	}
}

func TestCalibrationGrowsOld(t *testing.T) {
	day := func(s string) time.Time {
		at, err := time.Parse("2006-01-02", s)
		if err != nil {
			t.Fatal(err)
		}
		return at
	}
	for _, c := range []struct {
		on     string
		months int
		at     string
		want   string
	}{
		{"2026-03-01", 0, "2027-03-01", ""},
		{"2026-03-01", 0, "2027-03-03", "its calibration of 2026-03-01 is older than 12 months"},
		{"2026-03-01", 24, "2027-03-03", ""},
		{"2026-03-01", 6, "2026-09-05", "its calibration of 2026-03-01 is older than 6 months"},
		{"2026-03-01", 0, "2026-02-01", "its calibration is dated 2026-03-01, which was still to come"},
	} {
		if got := (Validity{day(c.on), c.months}).Overdue(day(c.at)); got != c.want {
			t.Errorf("%s at %s: %q", c.on, c.at, got)
		}
	}
	if (Validity{}).Overdue(day("2026-01-01")) != "" || (Validity{On: day("2020-01-01")}).Overdue(time.Time{}) != "" {
		t.Error("what is not known is not overdue")
	}
}
