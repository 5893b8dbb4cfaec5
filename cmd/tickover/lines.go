package main

import (
	"context"
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"
	"text/tabwriter"

	"tickover/cmd/tickover/api"
	"tickover/cmd/tickover/client"
)

// linesCommand tells how the lines fare.
type linesCommand struct {
	client.StateFolder
	JSON bool `help:"Print a JSON array."`
}

// Run prints what happened on each line, and on each unit of it.
func (c *linesCommand) Run(ctx context.Context, s streams) error {
	a, err := c.Open(false)
	if err != nil {
		return err
	}
	defer a.Close()
	if c.JSON {
		return a.Get(ctx, s.out, "/api/v1/lines", nil)
	}
	var lines []api.Line
	if err := a.List(ctx, "/api/v1/lines", nil, &lines); err != nil {
		return err
	}
	if len(lines) == 0 {
		fmt.Fprintln(s.out, "no daemon runs: lines have no state now; start it with tickover run")
		return nil
	}
	for _, l := range lines {
		if err := printLine(s.out, l); err != nil {
			return err
		}
	}
	return nil
}

func printLine(out io.Writer, l api.Line) error {
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
			millis(u.Median), millis(u.P99), millis(u.Longest), millis(u.Timeout), turnaroundWords(u), 100*u.Planned)
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

// turnaroundWords say what the unit's share of the line is planned by.
func turnaroundWords(u api.LineUnit) string {
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
