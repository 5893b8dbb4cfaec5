package main

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/url"
	"os"
	"strconv"
	"strings"
	"text/tabwriter"

	"golang.org/x/term"

	"tickover/cmd/tickover/api"
	"tickover/cmd/tickover/client"
	"tickover/model"
)

// measureCommand keeps and lists what was measured by hand.
type measureCommand struct {
	Take  measureTake  `cmd:"" default:"withargs" help:"Record one measurement (the default)."`
	List  measureList  `cmd:"" help:"List the measurements, before and after side by side, judged."`
	Kinds measureKinds `cmd:"" help:"List what can be measured and which conditions to record with it."`
	Fact  measureFact  `cmd:"" help:"Record a fact on the machine card."`
	Card  measureCard  `cmd:"" help:"Print the machine card."`
}

type measureTake struct {
	client.StateFolder
	Kind       string            `arg:"" help:"What was measured, such as \"insulation resistance\"; see tickover measure kinds."`
	Points     string            `arg:"" help:"Where, such as U-E."`
	Value      string            `arg:"" help:"The value with its unit, or yes or no."`
	With       map[string]string `help:"Conditions recorded with it, such as --with \"winding temperature=15 °C\"." mapsep:";"`
	Who        string            `help:"Who measured."`
	Instrument string            `help:"Instrument, its number and the day of its calibration, such as \"tester 12, calibrated 2026-03, valid 24 months\"; default 12 months."`
	Taken      string            `help:"When, if not now: 2026-03-01 14:30." placeholder:"TIME"`
	Stage      string            `help:"before, during or after the work." enum:",before,during,after" default:""`
	Note       string            `help:"Anything else."`
	Corrects   uint64            `help:"Number of the entry this one corrects." placeholder:"N"`
	Ticked     bool              `help:"The checklist before a 500 V test is done, and everything is reconnected afterwards."`
	Unticked   string            `help:"Why the checklist was not done." placeholder:"REASON"`
	JSON       bool              `help:"Print a JSON object."`
}

// Run keeps the measurement and prints what it means.
func (c *measureTake) Run(ctx context.Context, s streams) error {
	kind, _ := model.MeasurementKindNamed(c.Kind)
	form := url.Values{"kind": {c.Kind}, "points": {c.Points}, "value": {c.Value}, "who": {c.Who}, "instrument": {c.Instrument}, "note": {c.Note},
		"stage": {c.Stage}, "taken": {c.Taken}, "unticked": {c.Unticked}}
	for name, value := range c.With {
		form.Set(name, value)
	}
	if c.Corrects != 0 {
		form.Set("corrects", strconv.FormatUint(c.Corrects, 10))
	}
	switch {
	case c.Ticked:
		form.Set("ticks", strings.Join(append(append([]string{}, model.TicksBefore500V...), model.TicksAfter500V...), "\n"))
	case kind.HighVolt && c.Unticked == "" && term.IsTerminal(int(os.Stdin.Fd())):
		form.Set("ticks", strings.Join(askTicks(os.Stdin, s.err), "\n"))
	}
	a, err := c.Open(true)
	if err != nil {
		return err
	}
	defer a.Close()
	var body strings.Builder
	if err := a.Do(ctx, "POST", "/api/v1/measurements", strings.NewReader(form.Encode()), &body); err != nil {
		return err
	}
	if c.JSON {
		_, err = io.WriteString(s.out, body.String())
		return err
	}
	var kept api.Kept
	if err := json.Unmarshal([]byte(body.String()), &kept); err != nil {
		return err
	}
	fmt.Fprintf(s.out, "saved as entry %d\n", kept.Kept)
	printFigures(s.out, kept.Figures)
	return nil
}

// askTicks goes through the tick-list on a terminal. What is not answered with
// y stays open.
func askTicks(in io.Reader, out io.Writer) []string {
	var ticked []string
	lines := bufio.NewScanner(in)
	fmt.Fprintln(out, "Before 500 V go on, and after. Answer y when it is done.")
	for _, tick := range append(append([]string{}, model.TicksBefore500V...), model.TicksAfter500V...) {
		fmt.Fprintf(out, "  %s? ", tick)
		if !lines.Scan() {
			break
		}
		if strings.HasPrefix(strings.ToLower(strings.TrimSpace(lines.Text())), "y") {
			ticked = append(ticked, tick)
		}
	}
	return ticked
}

func printFigures(w io.Writer, figures []api.Figure) {
	for _, f := range figures {
		fmt.Fprintf(w, "  %s: %s", f.Name, f.Shown())
		if f.Limit != "" {
			fmt.Fprintf(w, ", limit %s (%s): %s", f.Limit, f.Source, f.Verdict)
		}
		if f.Reason != "" {
			fmt.Fprintf(w, ": %s", f.Reason)
		}
		fmt.Fprintln(w)
	}
}

type measureList struct {
	client.StateFolder
	JSON bool `help:"Print a JSON object."`
}

// Run prints the list.
func (c *measureList) Run(ctx context.Context, s streams) error {
	a, err := c.Open(false)
	if err != nil {
		return err
	}
	defer a.Close()
	if c.JSON {
		return a.Get(ctx, s.out, "/api/v1/measurements", nil)
	}
	var all api.Measured
	if err := a.List(ctx, "/api/v1/measurements", nil, &all); err != nil {
		return err
	}
	if len(all.Measurements) == 0 {
		fmt.Fprintln(s.out, "no measurement by hand yet; tickover measure kinds lists what can be measured")
	}
	for _, m := range all.Measurements {
		fmt.Fprintf(s.out, "%s, %s\n  before: %s   after: %s\n", m.Kind, m.Points, m.Before, m.After)
		printFigures(s.out, m.Figures)
	}
	if d := all.DryOut; d != nil {
		fmt.Fprintf(s.out, "drying, %s: %s\n", d.Points, d.Words)
		printFigures(s.out, d.Figures)
	}
	for _, g := range all.Gauges {
		fmt.Fprintf(s.out, "%s: %s. %s\n", g.Title, g.Words, g.Do)
		for _, c := range g.Corrections {
			fmt.Fprintf(s.out, "  where it shows %s add %s\n", c.Shows, c.Add)
		}
	}
	return nil
}

type measureKinds struct{}

// Run prints what can be measured.
func (c *measureKinds) Run(s streams) error {
	w := tabwriter.NewWriter(s.out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "kind\tunits\twhere, such as\tbeside it")
	for _, k := range model.MeasurementKinds() {
		units := strings.Join(k.Quantity.Units(), ", ")
		switch k.Quantity {
		case model.NoQuantity:
			units = "the point's"
		case model.State:
			units = "yes or no: " + k.Word
		}
		var beside []string
		for _, b := range k.Conditions {
			if b.Name == model.SensorReading {
				continue
			}
			name := b.Name
			if b.Needed {
				name += " (needed)"
			}
			beside = append(beside, name)
		}
		fmt.Fprintf(w, "%s\t%s\t%s\t%s\n", k.Name, units, k.Points, strings.Join(beside, ", "))
	}
	return w.Flush()
}

type measureFact struct {
	client.StateFolder
	Name string `arg:"" help:"Such as \"engine serial number\"."`
	Text string `arg:"" help:"What it says."`
	Who  string `help:"Who says so."`
}

// Run keeps the fact.
func (c *measureFact) Run(ctx context.Context, s streams) error {
	a, err := c.Open(true)
	if err != nil {
		return err
	}
	defer a.Close()
	if err := a.Post(ctx, "/api/v1/facts", url.Values{"name": {c.Name}, "text": {c.Text}, "who": {c.Who}}); err != nil {
		return err
	}
	fmt.Fprintln(s.out, "saved")
	return nil
}

type measureCard struct {
	client.StateFolder
	JSON bool `help:"Print a JSON array."`
}

// Run prints the machine card.
func (c *measureCard) Run(ctx context.Context, s streams) error {
	a, err := c.Open(false)
	if err != nil {
		return err
	}
	defer a.Close()
	if c.JSON {
		return a.Get(ctx, s.out, "/api/v1/facts", nil)
	}
	var facts []model.Fact
	if err := a.List(ctx, "/api/v1/facts", nil, &facts); err != nil {
		return err
	}
	w := tabwriter.NewWriter(s.out, 0, 0, 2, ' ', 0)
	for _, f := range facts {
		fmt.Fprintf(w, "%s\t%s\n", f.Name, f.Text)
	}
	return w.Flush()
}
