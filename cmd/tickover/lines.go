package main

import (
	"context"
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"
	"text/tabwriter"
)

// linesCommand tells how the lines fare.
type linesCommand struct {
	stateFlag
	JSON bool `help:"Print a JSON array."`
}

// counts are the counters that lines and units share.
type counts struct {
	Messages   uint64            `json:"messages"`
	Corrupt    uint64            `json:"corrupt"`
	NoAnswers  uint64            `json:"no_answers"`
	Foreign    uint64            `json:"foreign"`
	Retries    uint64            `json:"retries"`
	Late       uint64            `json:"late"`
	Fences     uint64            `json:"fences"`
	Echoes     uint64            `json:"echoes"`
	Ghosts     uint64            `json:"ghosts"`
	Exceptions map[string]uint64 `json:"exceptions"`
}

// lineRow is one line as the API tells it.
type lineRow struct {
	Line     string   `json:"line"`
	Kind     string   `json:"kind"`
	Open     bool     `json:"open"`
	Trouble  string   `json:"trouble"`
	Burst    bool     `json:"burst"`
	Share    float64  `json:"busy_share"`
	Planned  float64  `json:"planned_share"`
	Bursts   float64  `json:"burst_interval_seconds"`
	Lacks    []string `json:"lacks"`
	Reopened uint64   `json:"reopened"`
	Overruns uint64   `json:"overruns"`
	counts
	Units []unitRow `json:"units"`
}

type unitRow struct {
	Unit    uint8   `json:"unit"`
	Device  string  `json:"device"`
	Asked   uint64  `json:"asked"`
	Timeout float64 `json:"timeout_seconds"`
	Median  float64 `json:"latency_median_seconds"`
	P99     float64 `json:"latency_p99_seconds"`
	Longest float64 `json:"latency_longest_seconds"`
	// Turnaround is the mean that planning goes by, or what it assumes.
	Turnaround float64  `json:"turnaround_seconds"`
	Assumed    bool     `json:"turnaround_assumed"`
	Planned    float64  `json:"planned_share"`
	Learned    []string `json:"learned"`
	counts
}

// Run prints what happened on each line, and on each unit of it.
func (c *linesCommand) Run(ctx context.Context, s streams) error {
	a, err := c.open(false)
	if err != nil {
		return err
	}
	defer a.close()
	if c.JSON {
		return a.get(ctx, s.out, "/api/v1/lines", nil)
	}
	var lines []lineRow
	if err := a.list(ctx, "/api/v1/lines", nil, &lines); err != nil {
		return err
	}
	if len(lines) == 0 {
		fmt.Fprintln(s.out, "no daemon runs; lines are counted while one does")
		return nil
	}
	for _, l := range lines {
		if err := l.print(s.out); err != nil {
			return err
		}
	}
	return nil
}

func (l lineRow) print(out io.Writer) error {
	state := "open"
	if !l.Open {
		state = "closed: " + l.Trouble
	}
	if l.Burst {
		state += ", in a burst"
	}
	fmt.Fprintf(out, "line %s (%s): %s; busy %.1f %% of the time, %.1f %% by plan outside bursts, opened again %d times, %d rounds skipped\n",
		l.Line, l.Kind, state, 100*l.Share, 100*l.Planned, l.Reopened, l.Overruns)
	if l.Bursts > 0 {
		fmt.Fprintf(out, "  a burst reads the fast points %.1f times a second by plan\n", 1/l.Bursts)
	}
	for _, words := range l.Lacks {
		fmt.Fprintf(out, "  %s\n", words)
	}
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintln(w, "unit\tdevice\tasked\tgood\texceptions\tno answer\tcorrupt\tforeign\tlate\techo\tghosts\tretries\tfences\tmedian\t99 %\tlongest\ttimeout\tturnaround\tof the line\t")
	for _, u := range l.Units {
		fmt.Fprintf(w, "%d\t%s\t%d\t%d\t%s\t%d\t%d\t%d\t%d\t%d\t%d\t%d\t%d\t≤ %s\t≤ %s\t%s\t%s\t%s\t%.1f %%\t\n", u.Unit, u.Device, u.Asked, u.Messages,
			exceptions(u.Exceptions), u.NoAnswers, u.Corrupt, u.Foreign, u.Late, u.Echoes, u.Ghosts, u.Retries, u.Fences,
			millis(u.Median), millis(u.P99), millis(u.Longest), millis(u.Timeout), u.turnaround(), 100*u.Planned)
	}
	if err := w.Flush(); err != nil {
		return err
	}
	for _, u := range l.Units {
		for _, words := range u.Learned {
			fmt.Fprintf(out, "  unit %d: %s\n", u.Unit, words)
		}
	}
	fmt.Fprintln(out)
	return nil
}

// turnaround is what the unit's share of the line is planned by.
func (u unitRow) turnaround() string {
	if u.Assumed {
		return millis(u.Turnaround) + " assumed"
	}
	return millis(u.Turnaround)
}

func exceptions(all map[string]uint64) string {
	var parts []string
	for _, code := range slices.Sorted(maps.Keys(all)) {
		parts = append(parts, fmt.Sprintf("%s: %d", code, all[code]))
	}
	if len(parts) == 0 {
		return "0"
	}
	return strings.Join(parts, ", ")
}

func millis(seconds float64) string { return fmt.Sprintf("%.4g ms", 1000*seconds) }
