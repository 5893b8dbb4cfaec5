package performance

import (
	"fmt"
	"math"

	"tickover/model"
)

// memory keeps the readings of one point that are no older than over.
type memory struct {
	r     []reading
	over  float64 // s
	every float64 // s: readings that follow sooner are left out
}

func (k *memory) add(t, v float64) {
	if n := len(k.r); n > 0 && t < k.r[n-1].t+max(k.every*0.9, 1e-9) {
		return
	}
	old := 0
	for old < len(k.r) && k.r[old].t < t-k.over-patience {
		old++
	}
	if old > 64 || old == len(k.r) {
		k.r = k.r[:copy(k.r, k.r[old:])]
	}
	k.r = append(k.r, reading{t, v})
}

// from returns the unbroken readings up to now that reach back over seconds,
// and how many of these seconds they span.
func (k *memory) from(now, over float64) (list []reading, spanned float64) {
	last := now
	i := len(k.r)
	for i > 0 && k.r[i-1].t >= now-over && last-k.r[i-1].t <= patience {
		i--
		last = k.r[i].t
	}
	if i > 0 && last-k.r[i-1].t <= patience && k.r[i-1].t < now-over {
		return k.r[i:], over // the one before shows that nothing is missing
	}
	return k.r[i:], now - last
}

// since returns mean and standard deviation of the readings from t on.
func (k *memory) since(t float64) (mean, deviation float64) {
	n, m, s := 0.0, 0.0, 0.0
	for i := len(k.r) - 1; i >= 0 && k.r[i].t >= t; i-- {
		n++
		d := k.r[i].v - m
		m += d / n
		s += d * (k.r[i].v - m)
	}
	return m, math.Sqrt(s / max(n, 1))
}

// quietFor returns for how long, back from the newest reading, the standard
// deviation stays within limit.
func (k *memory) quietFor(now, limit float64) float64 {
	n, m, s := 0.0, 0.0, 0.0
	for i := len(k.r) - 1; i >= 0; i-- {
		n++
		d := k.r[i].v - m
		m += d / n
		s += d * (k.r[i].v - m)
		if math.Sqrt(s/n) >= limit {
			return now - k.r[i].t
		}
	}
	return now
}

// swing is the setting aid's view.
func (k *memory) swing(now float64) model.Swing {
	list, spanned := k.from(now, settingTime)
	if len(list) == 0 {
		return model.Swing{}
	}
	lo, hi := extent(list)
	return model.Swing{Known: spanned >= settingTime-2 && len(list) > 2, Mean: mean(list), Width: hi - lo, Over: seconds(spanned)}
}

// slope returns the least-squares slope of the readings per second.
func slope(list []reading) float64 {
	var a tally
	for _, x := range list {
		a.add(x.t-list[0].t, x.v)
	}
	return a.spread().Slope
}

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
func (c *criteria) quiet(k *memory, name, unit string, limit, scale float64) {
	list, spanned := k.from(c.now, quietTime)
	if len(list) == 0 {
		c.miss(name+" is not known now", -1)
		return
	}
	_, deviation := k.since(list[0].t)
	switch {
	case deviation >= limit:
		c.miss(fmt.Sprintf("%s moves: standard deviation %.2f %s, below %.2f %s is asked", name, deviation*scale, unit, limit*scale, unit),
			quietTime-k.quietFor(c.now, limit))
	case spanned < quietTime-1:
		c.miss(fmt.Sprintf("%s is watched for %s of %s", name, clock(spanned), clock(quietTime)), quietTime-spanned)
	}
}

// level asks that a value changes by less than limit in five minutes.
func (c *criteria) level(k *memory, name string, limit, scale float64, unit, point string) {
	if len(k.r) == 0 {
		c.r.Unasked = append(c.r.Unasked, point+" is not read")
		return
	}
	list, spanned := k.from(c.now, levelTime)
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
