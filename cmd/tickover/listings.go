package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/url"
	"os"
	"strings"
	"text/tabwriter"

	"tickover/cmd/tickover/client"
	"tickover/cmd/tickover/record"
	"tickover/model"
)

// runsCommand lists the runs.
type runsCommand struct {
	client.StateFolder
	JSON bool `help:"Print a JSON array."`
}

// Run prints the list.
func (c *runsCommand) Run(ctx context.Context, s streams) error {
	a, err := c.Open(false)
	if err != nil {
		return err
	}
	defer a.Close()
	raw, err := a.AllRuns(ctx)
	if err != nil {
		return err
	}
	if c.JSON {
		return json.NewEncoder(s.out).Encode(raw)
	}
	runs := make([]client.RunRow, len(raw))
	for i := range raw {
		if err := json.Unmarshal(raw[i], &runs[i]); err != nil {
			return err
		}
	}
	if len(runs) == 0 {
		fmt.Fprintln(s.out, "no runs yet")
		return nil
	}
	w := tabwriter.NewWriter(s.out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "run\tstarted\tended\tcranks\tstarts\trunning")
	for _, r := range runs {
		fmt.Fprintf(w, "%s\t%s\t%s\t%d\t%d\t%s\n", r.ID, r.Date, r.End(), r.Cranks, r.Starts, record.Seconds(r.Running))
	}
	return w.Flush()
}

// reportCommand writes one run's report.
type reportCommand struct {
	client.StateFolder
	ID     string `arg:"" name:"run" default:"last" help:"Which run, from tickover runs; the last when left out." optional:""`
	Format string `help:"html, json or text." enum:"html,json,text" default:"text"`
	Bundle bool   `help:"Write one zip file with report, readings, configuration, photos and checksums. Reading commands open it as --state."`
	Output string `help:"File to write; standard output when left out." placeholder:"FILE"`
}

// Run writes the report.
func (c *reportCommand) Run(ctx context.Context, s streams) error {
	a, err := c.Open(false)
	if err != nil {
		return err
	}
	defer a.Close()
	run := "/api/v1/runs/" + url.PathEscape(c.ID)
	if c.Bundle {
		return toFile(c.Output, s.out, func(w io.Writer) error { return a.Get(ctx, w, run+"/bundle", nil) })
	}
	path := run + "/report"
	return toFile(c.Output, s.out, func(w io.Writer) error {
		return a.Get(ctx, w, path, url.Values{"format": {c.Format}})
	})
}

// exportCommand writes readings.
type exportCommand struct {
	client.StateFolder
	RunID  string   `name:"run" help:"Only this run." placeholder:"RUN"`
	Box    string   `help:"Only this black box, from tickover alarms boxes." placeholder:"NUMBER"`
	From   string   `help:"From this time on (RFC 3339)." placeholder:"TIME"`
	To     string   `help:"Up to this time (RFC 3339)." placeholder:"TIME"`
	Points []string `help:"Only these points." placeholder:"POINT"`
	Format string   `help:"csv or openmetrics; promtool tsdb create-blocks-from takes the latter." enum:"csv,openmetrics" default:"csv"`
	Every  string   `help:"1m writes one-minute figures instead of samples, also of times whose samples are gone." enum:"1m," default:""`
	Lags   bool     `help:"Also write how many seconds after its row's time each answer came (csv of samples only)."`
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

// noteCommand puts a note on the timeline.
type noteCommand struct {
	client.StateFolder
	Text string `arg:"" help:"What to note."`
	Who  string `help:"Who notes it."`
}

// Run keeps the note.
func (c *noteCommand) Run(ctx context.Context, s streams) error {
	a, err := c.Open(true)
	if err != nil {
		return err
	}
	defer a.Close()
	if err := a.Post(ctx, "/api/v1/notes", url.Values{"who": {c.Who}, "text": {c.Text}}); err != nil {
		return err
	}
	fmt.Fprintln(s.out, "kept")
	return nil
}

// toFile writes to a file, or to out when no name is given. A file that could
// not be written whole is removed.
func toFile(name string, out io.Writer, write func(io.Writer) error) error {
	if name == "" {
		return write(out)
	}
	f, err := os.Create(name)
	if err != nil {
		return &model.Fault{Code: model.RuntimeFault, Err: err, Hint: "choose a folder you may write to"}
	}
	if err := write(f); err != nil {
		f.Close()
		os.Remove(name)
		return err
	}
	return f.Close()
}
