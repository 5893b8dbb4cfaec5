package record

import (
	"bufio"
	"context"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"maps"
	"slices"
	"strconv"
	"time"

	"tickover/cmd/tickover/api"
	"tickover/collector/store"
	"tickover/model"
	"tickover/model/transducer"
)

// Export writes readings as CSV or OpenMetrics text. It streams; memory does
// not grow with the number of readings.
func (s *Reader) Export(ctx context.Context, w io.Writer, q model.Query, as api.Form) error {
	points := s.exported(q)
	if len(points) == 0 {
		return &model.Fault{Code: model.UsageFault, Err: fmt.Errorf("none of the points asked for is known"), Hint: "tickover peek lists them"}
	}
	buffered := bufio.NewWriterSize(w, 1<<16)
	var err error
	switch {
	case as.Format == "openmetrics":
		err = s.openMetrics(ctx, buffered, q, points)
	case as.Minutes:
		err = s.minutesCSV(ctx, csv.NewWriter(buffered), q, points)
	default:
		err = s.scansCSV(ctx, csv.NewWriter(buffered), q, points, as.Lags)
	}
	if err != nil {
		return err
	}
	return buffered.Flush()
}

// known are the points of every configuration kept; the newest describes one
// that was in several.
func (s *Reader) known() map[model.PointID]model.Point {
	points := map[model.PointID]model.Point{}
	for setup := range s.Store.Setups() {
		maps.Copy(points, setup.Points())
	}
	maps.Copy(points, s.setup.Points())
	return points
}

// exported lists the points of an export in order.
func (s *Reader) exported(q model.Query) []model.PointID {
	var points []model.PointID
	for _, id := range slices.Sorted(maps.Keys(s.known())) {
		if q.Wants(id) {
			points = append(points, id)
		}
	}
	return points
}

// scansCSV writes one row for each scan: UTC and local time, a quality column,
// one column for each point with its canonical unit, and on request one for
// each point's lag. A stretch that cannot be read is a row that says so.
func (s *Reader) scansCSV(ctx context.Context, out *csv.Writer, q model.Query, points []model.PointID, lags bool) error {
	known := s.known()
	head := []string{"utc", "local", "clock", "boot", "seconds since boot", "group", "quality"}
	for _, id := range points {
		head = append(head, titled(id, "", known[id]))
	}
	for _, id := range points {
		if lags {
			head = append(head, string(id)+" lag [s]")
		}
	}
	if err := out.Write(head); err != nil {
		return err
	}
	clock := s.Store.Clock()
	q.Points = points
	for scan, err := range s.Store.Scans(s.rawToo(q)) {
		cells := make([]string, len(head))
		if err != nil {
			cells[6] = err.Error()
		} else {
			transducer.Sense(s.setup.Sensed, scan)
			cells = row(scan, points, clock)
			if lags {
				cells = append(cells, lagCells(scan, points)...)
			}
		}
		if err := errors.Join(ctx.Err(), out.Write(cells)); err != nil {
			return err
		}
	}
	out.Flush()
	return out.Error()
}

func titled(id model.PointID, figure string, p model.Point) string {
	name := string(id) + figure
	if unit := p.Quantity.Unit(); unit != "" {
		name += " [" + unit + "]"
	}
	return name
}

func row(scan *model.Scan, points []model.PointID, clock model.Clock) []string {
	cells := append(moment(scan.At, clock), scan.Group, quality(scan))
	for _, id := range points {
		cell := ""
		if s, ok := scan.Find(id); ok && s.Quality == model.Good {
			cell = number(s.Value)
		}
		cells = append(cells, cell)
	}
	return cells
}

func lagCells(scan *model.Scan, points []model.PointID) []string {
	cells := make([]string, len(points))
	for i, id := range points {
		if s, ok := scan.Find(id); ok {
			cells[i] = number(s.Lag.Seconds())
		}
	}
	return cells
}

func number(v float64) string { return strconv.FormatFloat(v, 'g', -1, 64) }

// moment writes an instant: wall time twice when it is known, and boot time.
func moment(at model.Instant, clock model.Clock) []string {
	wall, source := clock.Wall(at)
	cells := []string{"", "", source.String(), strconv.FormatUint(uint64(at.Boot), 10), strconv.FormatFloat(at.Offset.Seconds(), 'f', 6, 64)}
	if source != model.ClockUnknown {
		cells[0] = wall.Format("2006-01-02T15:04:05.000Z")
		cells[1] = wall.In(time.Local).Format("2006-01-02T15:04:05.000-07:00")
	}
	return cells
}

// quality says "good", or names each bad point with its cause.
func quality(scan *model.Scan) string {
	text := ""
	for _, s := range scan.Samples {
		if s.Quality == model.Good {
			continue
		}
		if text != "" {
			text += "; "
		}
		text += string(s.Point) + ": " + s.Cause.String()
	}
	if text == "" {
		return "good"
	}
	return text
}

// minutesCSV writes one row for each minute of each group: mean, least,
// greatest and number of good samples of each point. A stretch that cannot be
// read is a row that says so in place of the group.
func (s *Reader) minutesCSV(ctx context.Context, out *csv.Writer, q model.Query, points []model.PointID) error {
	known := s.known()
	head := []string{"utc", "local", "clock", "boot", "seconds since boot", "group"}
	column := map[model.PointID]int{}
	for _, id := range points {
		column[id] = len(head)
		head = append(head, titled(id, " mean", known[id]), titled(id, " min", known[id]), titled(id, " max", known[id]), string(id)+" samples")
	}
	if err := out.Write(head); err != nil {
		return err
	}
	clock := s.Store.Clock()
	q.Points = points
	for m, err := range s.Store.Minutes(q) {
		if err != nil {
			cells := make([]string, len(head))
			cells[5] = err.Error()
			if err := errors.Join(ctx.Err(), out.Write(cells)); err != nil {
				return err
			}
			continue
		}
		for i := range m.At {
			cells := append(append(moment(m.Instant(i), clock), m.Group), make([]string, len(head)-6)...)
			minuteCells(cells, m, i, column)
			if err := errors.Join(ctx.Err(), out.Write(cells)); err != nil {
				return err
			}
		}
	}
	out.Flush()
	return out.Error()
}

func minuteCells(cells []string, m *store.Minutes, i int, column map[model.PointID]int) {
	for c, id := range m.Points {
		at, col := column[id], m.Columns[c]
		cells[at+3] = strconv.FormatInt(col.Count[i], 10)
		if col.Count[i] > 0 {
			cells[at], cells[at+1], cells[at+2] = number(col.Mean[i]), number(col.Min[i]), number(col.Max[i])
		}
	}
}
