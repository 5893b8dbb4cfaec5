package steady

import (
	"math"

	"tickover/model"
)

// timedValue is one reading; t in s on the clock of the boot.
type timedValue struct{ t, v float64 }

// history keeps the readings of one point that are no older than over.
type history struct {
	r     []timedValue
	over  float64 // s
	every float64 // s: readings that follow sooner are left out
}

func (h *history) add(t, v float64) {
	if n := len(h.r); n > 0 && t < h.r[n-1].t+max(h.every*0.9, 1e-9) {
		return
	}
	old := 0
	for old < len(h.r) && h.r[old].t < t-h.over-patience {
		old++
	}
	if old > 64 || old == len(h.r) {
		h.r = h.r[:copy(h.r, h.r[old:])]
	}
	h.r = append(h.r, timedValue{t, v})
}

// from returns the unbroken readings up to now that reach back over seconds,
// and how many of these seconds they span.
func (h *history) from(now, over float64) (list []timedValue, spanned float64) {
	last := now
	i := len(h.r)
	for i > 0 && h.r[i-1].t >= now-over && last-h.r[i-1].t <= patience {
		i--
		last = h.r[i].t
	}
	if i > 0 && last-h.r[i-1].t <= patience && h.r[i-1].t < now-over {
		return h.r[i:], over // the one before shows that nothing is missing
	}
	return h.r[i:], now - last
}

// since returns mean and standard deviation of the readings from t on.
func (h *history) since(t float64) (mean, deviation float64) {
	n, m, s := 0.0, 0.0, 0.0
	for i := len(h.r) - 1; i >= 0 && h.r[i].t >= t; i-- {
		n++
		d := h.r[i].v - m
		m += d / n
		s += d * (h.r[i].v - m)
	}
	return m, math.Sqrt(s / max(n, 1))
}

// quietFor returns for how long, back from the newest timedValue, the standard
// deviation stays within limit.
func (h *history) quietFor(now, limit float64) float64 {
	n, m, s := 0.0, 0.0, 0.0
	for i := len(h.r) - 1; i >= 0; i-- {
		n++
		d := h.r[i].v - m
		m += d / n
		s += d * (h.r[i].v - m)
		if math.Sqrt(s/n) >= limit {
			return now - h.r[i].t
		}
	}
	return now
}

// swing is the setting aid's view.
func (h *history) swing(now float64) model.Swing {
	list, spanned := h.from(now, settingTime)
	if len(list) == 0 {
		return model.Swing{}
	}
	lo, hi, sum := math.Inf(1), math.Inf(-1), 0.0
	for _, x := range list {
		lo, hi, sum = min(lo, x.v), max(hi, x.v), sum+x.v
	}
	return model.Swing{
		Known: spanned >= settingTime-2 && len(list) > 2,
		Mean:  sum / float64(len(list)), Width: hi - lo, Over: seconds(spanned),
	}
}

// slope returns the least-squares slope of the readings per second, 0 when they are all of
// one moment.
func slope(list []timedValue) float64 {
	var n, t, v, tt, tv float64
	for _, x := range list {
		dt := x.t - list[0].t
		n, t, v, tt, tv = n+1, t+dt, v+x.v, tt+dt*dt, tv+dt*x.v
	}
	if d := n*tt - t*t; d > 1e-9*n*tt {
		return (n*tv - t*v) / d
	}
	return 0
}
