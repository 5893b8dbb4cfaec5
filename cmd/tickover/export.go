package main

import (
	"bufio"
	"context"
	"encoding/csv"
	"fmt"
	"io"
	"maps"
	"slices"
	"strconv"
	"time"

	"tickover/model"
)

// Export writes readings as CSV: one row for each scan, one column for each
// point with its canonical unit, UTC and local time, and a quality column.
// Rows stream; memory does not grow with their number.
func (s *source) Export(ctx context.Context, w io.Writer, q model.Query, format string) error {
	if format != "csv" {
		return &fault{exitUsage, fmt.Errorf("there is no export format %q", format), "use csv"}
	}
	points := s.exported(q)
	if len(points) == 0 {
		return &fault{exitUsage, fmt.Errorf("none of the points asked for is known"), "tickover export --json lists them"}
	}
	buffered := bufio.NewWriter(w)
	out := csv.NewWriter(buffered)
	if err := out.Write(s.header(points)); err != nil {
		return err
	}
	clock := s.store.Clock()
	for scan, err := range s.store.Scans(q) {
		if err != nil {
			return fmt.Errorf("read scans: %w", err)
		}
		if err := ctx.Err(); err != nil {
			return err
		}
		if err := out.Write(row(scan, points, clock)); err != nil {
			return err
		}
	}
	out.Flush()
	if err := out.Error(); err != nil {
		return err
	}
	return buffered.Flush()
}

// exported lists the points of an export in order.
func (s *source) exported(q model.Query) []model.PointID {
	var points []model.PointID
	for _, id := range slices.Sorted(maps.Keys(s.setup.Points())) {
		if q.Wants(id) {
			points = append(points, id)
		}
	}
	return points
}

func (s *source) header(points []model.PointID) []string {
	head := []string{"utc", "local", "clock", "boot", "seconds since boot", "group", "quality"}
	known := s.setup.Points()
	for _, id := range points {
		name := string(id)
		if unit := known[id].Quantity.Unit(); unit != "" {
			name += " [" + unit + "]"
		}
		head = append(head, name)
	}
	return head
}

func row(scan *model.Scan, points []model.PointID, clock model.Clock) []string {
	wall, source := clock.Wall(scan.At)
	cells := []string{"", "", source.String(), strconv.FormatUint(uint64(scan.At.Boot), 10),
		strconv.FormatFloat(scan.At.Offset.Seconds(), 'f', 6, 64), scan.Group, quality(scan)}
	if source != model.ClockUnknown {
		cells[0] = wall.Format("2006-01-02T15:04:05.000Z")
		cells[1] = wall.In(time.Local).Format("2006-01-02T15:04:05.000-07:00")
	}
	for _, id := range points {
		cell := ""
		if s, ok := scan.Find(id); ok && s.Quality == model.Good {
			cell = strconv.FormatFloat(s.Value, 'g', -1, 64)
		}
		cells = append(cells, cell)
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
