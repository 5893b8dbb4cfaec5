package config

import (
	"fmt"
	"strconv"
	"strings"
	"time"

	"tickover/model"
)

// Retention is how the store uses the card. Zero values mean the store's own
// defaults.
type Retention struct {
	Room       int64         // bytes of the card that readings may take
	Samples    time.Duration // logged time after which samples are thinned out to their minutes
	RiskBusy   time.Duration // most samples a cut of power may cost while anything changes
	RiskSteady time.Duration // the same while the set is stopped or runs steadily
}

// leastRoom is some ten days of 32 points once a second.
const leastRoom = 16_000_000

// retention reads how the store uses the card.
func (r *parser) retention(s *sourceText, top section) Retention {
	n := top.values["store"]
	if n == nil {
		return Retention{}
	}
	sec, _ := s.section(n, "the store", "room", "keep samples", "at risk while busy",
		"at risk while steady")
	k := Retention{
		Room:       sec.size("room", leastRoom, 1e15),
		Samples:    sec.duration("keep samples", time.Hour, 36500*24*time.Hour),
		RiskBusy:   sec.duration("at risk while busy", 100*time.Millisecond, time.Minute),
		RiskSteady: sec.duration("at risk while steady", 100*time.Millisecond, 10*time.Minute),
	}
	if k.RiskSteady > 0 && k.RiskBusy > k.RiskSteady {
		sec.wrong(sec.at("at risk while busy"),
			"set it to at most the value of at risk while steady",
			"more would be at risk while the set is busy than while it is steady")
	}
	return k
}

// sizes are the units of size, as cards and as programs count.
var sizes = []struct {
	name  string
	bytes float64
}{{"kB", 1e3}, {"MB", 1e6}, {"GB", 1e9}, {"TB", 1e12}, {"KiB", 1 << 10}, {"MiB", 1 << 20},
	{"GiB", 1 << 30}}

// size reads a number of bytes between lo and hi.
func (s section) size(key string, lo, hi float64) int64 {
	t, ok := s.text(key)
	if !ok {
		return 0
	}
	number, unit, _ := strings.Cut(strings.TrimSpace(t), " ")
	v, err := strconv.ParseFloat(number, 64)
	factor := 0.0
	for _, u := range sizes {
		if strings.TrimSpace(unit) == u.name {
			factor = u.bytes
		}
	}
	switch v *= factor; {
	case err != nil || factor == 0:
		s.wrong(s.at(key), "write a number and MB or GB, such as 2 GB", "%q is not a size", t)
	case v < lo || !(v <= hi):
		s.wrong(s.at(key), fmt.Sprintf("use a value between %s MB and %s TB",
			plainText(lo/1e6, model.Count), plainText(hi/1e12, model.Count)), "%q cannot be %s",
			key, t)
	default:
		return int64(v)
	}
	return 0
}
