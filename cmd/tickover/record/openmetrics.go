package record

import (
	"bufio"
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"tickover/collector/metrics"
	"tickover/model"
)

// exportedSeries is one point as a scrape names it.
type exportedSeries struct {
	id     model.PointID
	name   string
	labels string
	scale  float64
}

// openMetrics writes good samples with the names, labels and units that a
// scrape shows, one series after another, as the format asks for. Samples of
// boots that nothing dates, and those not later than the one before by the
// wall clock, have no place in the format and are left out.
func (s *Reader) openMetrics(ctx context.Context, w *bufio.Writer, q model.Query, points []model.PointID) error {
	clock, family := s.Store.Clock(), ""
	for _, x := range s.series(points) {
		if x.name != family {
			family = x.name
			kind := "gauge"
			if base, ok := strings.CutSuffix(x.name, "_total"); ok {
				family, kind = base, "counter"
			}
			fmt.Fprintf(w, "# TYPE %s %s\n", family, kind)
			family = x.name
		}
		if err := s.writeSeries(ctx, w, q, x, clock); err != nil {
			return err
		}
	}
	_, err := w.WriteString("# EOF\n")
	return err
}

// series lists the points that have one, families together.
func (s *Reader) series(points []model.PointID) []exportedSeries {
	name := metrics.Naming(s.known())
	var all []exportedSeries
	for _, id := range points {
		n, ok := name(id)
		if !ok {
			continue
		}
		var labels []string
		for _, l := range n.Labels {
			labels = append(labels, l.Name+"="+strconv.Quote(l.Value))
		}
		x := exportedSeries{id, n.Name, "", n.Scale}
		if len(labels) > 0 {
			x.labels = "{" + strings.Join(labels, ",") + "}"
		}
		all = append(all, x)
	}
	slices.SortFunc(all, func(a, b exportedSeries) int {
		return cmp.Or(cmp.Compare(a.name, b.name), cmp.Compare(a.labels, b.labels))
	})
	return all
}

func (s *Reader) writeSeries(ctx context.Context, w *bufio.Writer, q model.Query, x exportedSeries, clock model.Clock) error {
	q.Points = []model.PointID{x.id}
	last, line := int64(math.MinInt64), []byte(nil)
	for scan, err := range s.alone(q, x.id) { // merges the groups that a point is in
		if err := cmp.Or(err, ctx.Err()); err != nil {
			return fmt.Errorf("read %s: %w", x.id, err)
		}
		wall, source := clock.Wall(scan.At)
		ms := wall.UnixMilli()
		if source == model.ClockUnknown || scan.Samples[0].Quality != model.Good || ms <= last {
			continue
		}
		last = ms
		line = append(append(append(line[:0], x.name...), x.labels...), ' ')
		line = append(strconv.AppendFloat(line, scan.Samples[0].Value*x.scale, 'g', -1, 64), ' ')
		line = strconv.AppendFloat(line, float64(ms)/1e3, 'f', 3, 64)
		if _, err := w.Write(append(line, '\n')); err != nil {
			return err
		}
	}
	return nil
}
