package main

import (
	"context"
	"io"
	"net/url"
	"strings"

	"tickover/cmd/tickover/client"
)

// exportCommand writes readings.
type exportCommand struct {
	client.StateFolder
	RunID  string   `name:"run" help:"Only this run." placeholder:"RUN"`
	Box    string   `help:"Only this black box, from tickover alarms boxes." placeholder:"NUMBER"`
	From   string   `help:"From this time on (RFC 3339)." placeholder:"TIME"`
	To     string   `help:"Up to this time (RFC 3339)." placeholder:"TIME"`
	Points []string `help:"Only these points." placeholder:"POINT"`
	Format string   `help:"csv or openmetrics; promtool tsdb create-blocks-from takes the latter." enum:"csv,openmetrics" default:"csv"`
	Every  string   `help:"1m writes one-minute figures instead of samples, including times whose samples are thinned out." enum:"1m," default:""`
	Lags   bool     `help:"Also write how many seconds after its row's time each reply arrived (CSV of samples only)."`
	Output string   `help:"File to write; standard output when left out." placeholder:"FILE"`
}

// Run writes the readings.
func (c *exportCommand) Run(ctx context.Context, s streams) error {
	a, err := c.Open(false)
	if err != nil {
		return err
	}
	defer a.Close()
	q := url.Values{"format": {c.Format}}
	for name, value := range map[string]string{"every": c.Every, "run": c.RunID, "box": c.Box, "from": c.From, "to": c.To, "points": strings.Join(c.Points, ",")} {
		if value != "" {
			q.Set(name, value)
		}
	}
	if c.Lags {
		q.Set("lags", "1")
	}
	progress := s.err
	if c.Output == "" {
		progress = io.Discard // the readings themselves are on the screen
	}
	shown := bar(progress, "export")
	defer shown.finish()
	return toFile(c.Output, s.out, func(w io.Writer) error { return a.Get(ctx, io.MultiWriter(w, shown), "/api/v1/export", q) })
}
