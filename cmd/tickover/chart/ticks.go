package chart

import (
	"math"
	"strconv"
	"strings"
	"time"
)

// levels gives four to eight round ticks for an upright axis.
func levels(low, high float64) []mark {
	span := high - low
	if !(span > 0) || !finite(span) {
		return nil
	}
	step := math.Pow(10, math.Floor(math.Log10(span/4)))
	for _, f := range []float64{5, 2} {
		if span/(step*f) >= 4 {
			step *= f
			break
		}
	}
	digits := max(0, int(-math.Floor(math.Log10(step))))
	var ticks []mark
	for k := math.Ceil(low/step - 1e-9); k*step <= high+step*1e-9; k++ {
		v := k*step + 0 // no negative zero
		ticks = append(ticks, mark{value: v, label: minus(strconv.FormatFloat(v, 'f', digits, 64))})
	}
	return ticks
}

// steps lists the distances of time ticks that people read easily.
var steps = []time.Duration{time.Second, 2 * time.Second, 5 * time.Second, 10 * time.Second, 30 * time.Second,
	time.Minute, 2 * time.Minute, 5 * time.Minute, 10 * time.Minute, 15 * time.Minute, 30 * time.Minute,
	time.Hour, 2 * time.Hour, 3 * time.Hour, 6 * time.Hour, 12 * time.Hour, 24 * time.Hour}

// hours gives ticks for a time axis, at most one more than asked for: times of
// day when the start is known, times since the start otherwise. Days are named
// by their date.
func hours(from, to float64, start time.Time, known bool, most int) []mark {
	span := time.Duration((to - from) * float64(time.Second))
	step := steps[len(steps)-1]
	for _, s := range steps {
		if span/s <= time.Duration(most) {
			step = s
			break
		}
	}
	for span/step > time.Duration(most) {
		step += 24 * time.Hour
	}
	base := time.Duration(0) // from the midnight before the start to the start
	if known {
		base = start.Sub(start.Truncate(24 * time.Hour))
	}
	var ticks []mark
	first := base + time.Duration(from*float64(time.Second))
	for at := (first + step - 1).Truncate(step); at <= base+time.Duration(to*float64(time.Second)); at += step {
		ticks = append(ticks, mark{value: (at - base).Seconds(), label: tickLabel(at, step, start, known)})
	}
	return ticks
}

// tickLabel names a tick, at counted from the midnight before the start.
func tickLabel(at, step time.Duration, start time.Time, known bool) string {
	if known && step >= 24*time.Hour {
		return start.Truncate(24 * time.Hour).Add(at).Format("01-02")
	}
	s := int64(at / time.Second)
	days, h, m := "", s/3600, s/60%60
	if known {
		h %= 24
	} else {
		days = "+"
	}
	text := days + strconv.FormatInt(h, 10) + ":" + two(m)
	if step < time.Minute {
		text += ":" + two(s%60)
	}
	return text
}

func two(v int64) string {
	if v < 10 {
		return "0" + strconv.FormatInt(v, 10)
	}
	return strconv.FormatInt(v, 10)
}

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }

func minus(s string) string { return strings.Replace(s, "-", "−", 1) }
