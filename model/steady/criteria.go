package steady

import (
	"fmt"
	"math"
	"time"

	"tickover/model"
)

// criteria collects what is not met.
type criteria struct {
	now     float64
	r       *model.Readiness
	left    float64
	unknown bool // the time left cannot be said
}

// miss notes a criterion not met; left is how long it needs at least, below 0
// when nobody can say.
func (c *criteria) miss(words string, left float64) {
	c.r.Unmet = append(c.r.Unmet, words)
	c.left, c.unknown = max(c.left, left), c.unknown || left < 0
}

func (c *criteria) close() {
	c.r.Ready = len(c.r.Unmet) == 0
	if !c.unknown {
		c.r.Left = seconds(math.Ceil(c.left))
	}
}

// quiet asks that a value's standard deviation stays below limit for a minute.
func (c *criteria) quiet(h *history, name, unit string, limit, scale float64) {
	list, spanned := h.from(c.now, quietTime)
	if len(list) == 0 {
		c.miss(name+" is not known now", -1)
		return
	}
	_, deviation := h.since(list[0].t)
	switch {
	case deviation >= limit:
		c.miss(fmt.Sprintf("%s moves: standard deviation %.2f %s, below %.2f %s is asked", name, deviation*scale, unit, limit*scale, unit),
			quietTime-h.quietFor(c.now, limit))
	case spanned < quietTime-1:
		c.miss(fmt.Sprintf("%s is watched for %s of %s", name, clock(spanned), clock(quietTime)), quietTime-spanned)
	}
}

// level asks that a value changes by less than limit in five minutes.
func (c *criteria) level(h *history, name string, limit, scale float64, unit, point string) {
	if len(h.r) == 0 {
		c.r.Unasked = append(c.r.Unasked, point+" is not read")
		return
	}
	list, spanned := h.from(c.now, levelTime)
	switch {
	case len(list) == 0:
		c.miss(point+" is not known now", -1)
	case spanned < levelTime-5:
		c.miss(fmt.Sprintf("%s is watched for %s of %s", name, clock(spanned), clock(levelTime)), levelTime-spanned)
	default:
		if by := slope(list) * levelTime; math.Abs(by) >= limit {
			c.miss(fmt.Sprintf("%s changes by %+.2f %s in 5 min, less than %.2f %s is asked", name, by*scale, unit, limit*scale, unit), -1)
		}
	}
}

// clock writes s as a person counts them.
func clock(s float64) string { return model.Lasting(time.Duration(s) * time.Second) }

// seconds makes a duration, rounded to a millisecond.
func seconds(s float64) time.Duration {
	return time.Duration(math.Round(s*1e3)) * time.Millisecond
}
