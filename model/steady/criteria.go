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
	unknown bool // the time left is not known
}

// miss adds a criterion that is not met; left is how long it needs at least in s, below 0
// when that is not known.
func (c *criteria) miss(text string, left float64) {
	c.r.Unmet = append(c.r.Unmet, text)
	c.left, c.unknown = max(c.left, left), c.unknown || left < 0
}

func (c *criteria) close() {
	c.r.Ready = len(c.r.Unmet) == 0
	if !c.unknown {
		c.r.Left = seconds(math.Ceil(c.left))
	}
}

// quiet requires the standard deviation of a value to stay below limit for a minute.
func (c *criteria) quiet(h *history, name, unit string, limit float64) {
	list, spanned := h.from(c.now, quietTime)
	if len(list) == 0 {
		c.miss(name+" has no reading now", -1)
		return
	}
	_, deviation := h.since(list[0].t)
	switch {
	case deviation >= limit:
		c.miss(fmt.Sprintf("%s still swings: %.2f %s, needs less than %.2f %s",
			name, deviation, unit, limit, unit), quietTime-h.quietFor(c.now, limit))
	case spanned < quietTime-1:
		c.miss(fmt.Sprintf("%s observed for %s of %s", name, clock(spanned), clock(quietTime)),
			quietTime-spanned)
	}
}

// level requires a value to change by less than limit in five minutes. scale converts to the
// unit shown.
func (c *criteria) level(h *history, name string, limit, scale float64, unit string) {
	if len(h.r) == 0 {
		c.r.Unasked = append(c.r.Unasked, name+" is not measured")
		return
	}
	list, spanned := h.from(c.now, levelTime)
	switch {
	case len(list) == 0:
		c.miss(name+" has no reading now", -1)
	case spanned < levelTime-5:
		c.miss(fmt.Sprintf("%s observed for %s of %s", name, clock(spanned), clock(levelTime)),
			levelTime-spanned)
	default:
		if by := slope(list) * levelTime; math.Abs(by) >= limit {
			c.miss(fmt.Sprintf("%s still changes: %+.2f %s in 5 min, needs less than %.2f %s",
				name, by*scale, unit, limit*scale, unit), -1)
		}
	}
}

// clock writes s as a person counts them.
func clock(s float64) string { return model.Lasting(time.Duration(s) * time.Second) }

// seconds makes a duration, rounded to a millisecond.
func seconds(s float64) time.Duration {
	return time.Duration(math.Round(s*1e3)) * time.Millisecond
}
