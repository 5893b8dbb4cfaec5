package chart

// column is what fell into one slice of time.
type column struct {
	n                      int
	low, high, first, last float64
	broken                 bool // a gap lies before the first reading
}

// trace folds the readings of one point into columns, in memory that does not
// grow with the span, so a dip of one reading stays visible however long that is. Readings come in order of time.
type trace struct {
	most     int     // columns
	width    float64 // of a column, s
	columns  []column
	last     float64 // time of the newest reading, s
	step     float64 // distance of the two newest readings, s
	broken   bool    // a bad reading came since the newest good one
	n, gaps  int
	shortest float64 // least distance of two readings, s
}

// newTrace makes a trace of so many columns for a span in seconds; 0 when that
// is not known.
func newTrace(span float64, columns int) *trace {
	return &trace{most: columns, width: max(span/float64(columns), 0.01)}
}

// bad notes a reading that failed.
func (tr *trace) bad() { tr.broken = tr.n > 0 }

// add takes one good reading, t seconds after the start.
func (tr *trace) add(t, v float64) {
	if t < 0 || !finite(v) || tr.n > 0 && t < tr.last {
		return
	}
	for int(t/tr.width) >= tr.most {
		tr.fold()
	}
	gap := tr.broken || tr.gap(t)
	if gap {
		tr.gaps++
	}
	tr.put(int(t/tr.width), v, gap)
	tr.last, tr.broken = t, false
	tr.n++
}

// gap reports whether a reading at t comes too late after the newest one to be
// joined to it: later than three times the usual distance and than 10 s.
func (tr *trace) gap(t float64) bool {
	if tr.n == 0 {
		return false
	}
	d := t - tr.last
	if tr.n > 1 && d > max(10, 3*tr.step) {
		return true
	}
	if d > 0 && (tr.shortest == 0 || d < tr.shortest) {
		tr.shortest = d
	}
	tr.step = d
	return false
}

func (tr *trace) put(i int, v float64, gap bool) {
	for len(tr.columns) <= i {
		tr.columns = append(tr.columns, column{})
	}
	c := &tr.columns[i]
	if c.n == 0 {
		*c = column{low: v, high: v, first: v, broken: gap}
	}
	c.n++
	c.low, c.high, c.last = min(c.low, v), max(c.high, v), v
}

// fold doubles the width of the columns.
func (tr *trace) fold() {
	half := (len(tr.columns) + 1) / 2
	for i := range half {
		c := tr.columns[2*i]
		if 2*i+1 < len(tr.columns) {
			c = c.join(tr.columns[2*i+1])
		}
		tr.columns[i] = c
	}
	tr.columns = tr.columns[:half]
	tr.width *= 2
}

func (c column) join(d column) column {
	switch {
	case c.n == 0:
		return d
	case d.n == 0:
		return c
	}
	return column{c.n + d.n, min(c.low, d.low), max(c.high, d.high), c.first, d.last, c.broken}
}

// extent gives the lowest and highest reading; false when there is none.
func (tr *trace) extent() (low, high float64, ok bool) {
	for _, c := range tr.columns {
		if c.n == 0 {
			continue
		}
		if !ok {
			low, high, ok = c.low, c.high, true
		}
		low, high = min(low, c.low), max(high, c.high)
	}
	return low, high, ok
}

// point is a place in a plot: seconds and the unit shown.
type point struct{ t, v float64 }

// lines gives the polylines to draw, broken at gaps. In each column they visit
// the lowest and the highest reading.
func (tr *trace) lines() [][]point {
	var all [][]point
	var line []point
	for i, c := range tr.columns {
		if c.n == 0 {
			continue
		}
		if c.broken && len(line) > 0 {
			all, line = append(all, line), nil
		}
		line = append(line, c.visit((float64(i)+0.5)*tr.width)...)
	}
	if len(line) > 0 {
		all = append(all, line)
	}
	return all
}

// visit orders a column's extremes so that the line enters at the one nearer
// to its first reading.
func (c column) visit(t float64) []point {
	switch {
	case c.low == c.high:
		return []point{{t, c.low}}
	case c.first-c.low <= c.high-c.first:
		return []point{{t, c.low}, {t, c.high}}
	}
	return []point{{t, c.high}, {t, c.low}}
}
