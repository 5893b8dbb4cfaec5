package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/url"
	"os"
	"strconv"
	"strings"
	"text/tabwriter"
	"time"
)

// runsCommand lists the runs.
type runsCommand struct {
	stateFlag
	JSON bool `help:"Print a JSON array."`
}

// runRow is one run as the API lists it.
type runRow struct {
	ID       string     `json:"id"`
	Started  *time.Time `json:"started"` // nil while no clock knows it
	Ended    *time.Time `json:"ended"`
	Date     string     `json:"started_text"` // the same for people
	EndDate  string     `json:"ended_text"`
	From     string     `json:"from"` // the same as instants
	To       string     `json:"to"`
	Open     bool       `json:"open"`
	CutShort string     `json:"cut_short"`
	Cranks   int        `json:"cranks"`
	Starts   int        `json:"starts"`
	Running  float64    `json:"running_seconds"`
}

// end says when the run ended, and how when the record of it stops short.
func (r runRow) end() string {
	switch {
	case r.Open:
		return "still going"
	case r.CutShort != "":
		return r.EndDate + ": " + r.CutShort
	}
	return r.EndDate
}

// timeOfDay writes a moment as the report does.
func timeOfDay(wall *time.Time, instant string) string {
	if wall == nil {
		return "time of day not known (" + instant + ")"
	}
	return wall.UTC().Format("2006-01-02 15:04:05") + " UTC"
}

// Run prints the list.
func (c *runsCommand) Run(ctx context.Context, s streams) error {
	a, err := c.open(false)
	if err != nil {
		return err
	}
	defer a.close()
	raw, err := a.allRuns(ctx)
	if err != nil {
		return err
	}
	if c.JSON {
		return json.NewEncoder(s.out).Encode(raw)
	}
	runs := make([]runRow, len(raw))
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
		fmt.Fprintf(w, "%s\t%s\t%s\t%d\t%d\t%s\n", r.ID, r.Date, r.end(), r.Cranks, r.Starts, seconds(r.Running))
	}
	return w.Flush()
}

// mostAsked is what one answer of a list holds at most.
const mostAsked = 1000

// allRuns asks for one page of runs after the other.
func (a *archive) allRuns(ctx context.Context) ([]json.RawMessage, error) {
	all := []json.RawMessage{}
	q := url.Values{"limit": {strconv.Itoa(mostAsked)}}
	for {
		var page []json.RawMessage
		if err := a.list(ctx, "/api/v1/runs", q, &page); err != nil {
			return nil, err
		}
		all = append(all, page...)
		if len(page) < mostAsked {
			return all, nil
		}
		var last runRow
		if err := json.Unmarshal(page[len(page)-1], &last); err != nil {
			return nil, err
		}
		q.Set("after", last.ID)
	}
}

// reportCommand writes one run's report.
type reportCommand struct {
	stateFlag
	ID     string `arg:"" name:"run" default:"last" help:"Which run, from tickover runs; the last when left out." optional:""`
	Format string `help:"html, json or text." enum:"html,json,text" default:"text"`
	Bundle bool   `help:"Write one zip file with report, readings, configuration, photos and checksums. Reading commands open it as --state."`
	Output string `help:"File to write; standard output when left out." placeholder:"FILE"`
}

// Run writes the report.
func (c *reportCommand) Run(ctx context.Context, s streams) error {
	a, err := c.open(false)
	if err != nil {
		return err
	}
	defer a.close()
	run := "/api/v1/runs/" + url.PathEscape(c.ID)
	if c.Bundle {
		return toFile(c.Output, s.out, func(w io.Writer) error { return a.get(ctx, w, run+"/bundle", nil) })
	}
	path := run + "/report"
	return toFile(c.Output, s.out, func(w io.Writer) error {
		return a.get(ctx, w, path, url.Values{"format": {c.Format}})
	})
}

// exportCommand writes readings.
type exportCommand struct {
	stateFlag
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
	a, err := c.open(false)
	if err != nil {
		return err
	}
	defer a.close()
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
	return toFile(c.Output, s.out, func(w io.Writer) error { return a.get(ctx, io.MultiWriter(w, shown), "/api/v1/export", q) })
}

// noteCommand puts a note on the timeline.
type noteCommand struct {
	stateFlag
	Text string `arg:"" help:"What to note."`
	Who  string `help:"Who notes it."`
}

// Run keeps the note.
func (c *noteCommand) Run(ctx context.Context, s streams) error {
	a, err := c.open(true)
	if err != nil {
		return err
	}
	defer a.close()
	if err := a.post(ctx, "/api/v1/notes", url.Values{"who": {c.Who}, "text": {c.Text}}); err != nil {
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
		return &fault{code: exitRuntime, err: err, hint: "choose a folder you may write to"}
	}
	if err := write(f); err != nil {
		f.Close()
		os.Remove(name)
		return err
	}
	return f.Close()
}
