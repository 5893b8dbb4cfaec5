package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"text/tabwriter"
	"time"

	"tickover/collector"
	"tickover/config"
	"tickover/model"
)

// checkCommand checks a configuration.
type checkCommand struct {
	Config string `help:"Configuration file." default:"/etc/tickover/tickover.yaml" placeholder:"FILE"`
	JSON   bool   `help:"Print a JSON object."`
}

// lineLoad is what the plan does to one line.
type lineLoad struct {
	Line     string     `json:"line"`
	Share    float64    `json:"share"`
	Shortest float64    `json:"shortest_interval_seconds"`
	Reads    []readLoad `json:"reads"`
}

// readLoad is one planned read.
type readLoad struct {
	Device    string  `json:"device"`
	Table     string  `json:"table"`
	First     int     `json:"first"`
	Count     int     `json:"count"`
	Reference string  `json:"reference"`
	Bytes     int     `json:"bytes"`
	Wire      float64 `json:"wire_seconds"`
	Every     float64 `json:"every_seconds"`
	Points    int     `json:"points"`
}

// Run prints registers, plan and the load of each line. A line asked for more
// than it can carry is a mistake.
func (c *checkCommand) Run(ctx context.Context, s streams) error {
	cfg, err := loadConfig(c.Config, s.err)
	if err != nil {
		return err
	}
	if err := checkAccess(cfg, slog.New(slog.NewTextHandler(s.err, nil))); err != nil {
		return err
	}
	loads := loadsOf(&cfg.Setup)
	if c.JSON {
		e := json.NewEncoder(s.out)
		e.SetIndent("", "  ")
		err = e.Encode(loads)
	} else {
		err = printCheck(s.out, cfg, loads)
	}
	for _, l := range loads {
		if l.Share > 1 {
			err = &fault{exitConfig, fmt.Errorf("line %s is asked for %.0f %% of its time", l.Line, 100*l.Share),
				"poll less often, split the line in two, or raise the baud rate"}
		}
	}
	return err
}

func loadsOf(setup *model.Setup) []lineLoad {
	var loads []lineLoad
	for _, l := range setup.Lines {
		load := lineLoad{Line: l.Name}
		var round time.Duration
		for _, g := range collector.Groups(l, setup.Devices) {
			load.Share += g.Cost(l).Seconds() / g.Every.Seconds()
			round += g.Cost(l)
			for _, r := range g.Reads {
				load.Reads = append(load.Reads, readLoadOf(l, g, r))
			}
		}
		load.Shortest = round.Seconds()
		loads = append(loads, load)
	}
	return loads
}

func readLoadOf(l model.Line, g *collector.Group, r collector.Read) readLoad {
	data := 2 * int(r.Count)
	if r.Table.Bits() {
		data = (int(r.Count) + 7) / 8
	}
	return readLoad{
		Device: g.Device.Name, Table: r.Table.String(), First: int(r.Address), Count: int(r.Count),
		Reference: model.Register{Table: r.Table, Address: r.Address}.Reference(), Bytes: 13 + data,
		Wire:  collector.WireTime(l, g.Device, r.Table, int(r.Count), collector.Turnaround).Seconds(),
		Every: g.Every.Seconds(), Points: len(r.Points),
	}
}

func printCheck(out io.Writer, cfg *config.Config, loads []lineLoad) error {
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "point\tdevice\tframe address\treference\ttype\tone count is")
	for _, d := range cfg.Setup.Devices {
		for _, p := range d.Points {
			fmt.Fprintf(w, "%s\t%s\t%s %d\t%s\t%s\t%s\n", p.ID, d.Name, p.Register.Table, p.Register.Address,
				p.Register.Reference(), typeWords(p.Register), countWords(p))
		}
	}
	for _, l := range loads {
		fmt.Fprintf(w, "\nline %s: %.1f %% of its time is used; all its reads in a row take %.0f ms\n", l.Line, 100*l.Share, 1000*l.Shortest)
		fmt.Fprintln(w, "device\tread\treference\tpoints\tbytes\ton the wire\tevery")
		for _, r := range l.Reads {
			fmt.Fprintf(w, "%s\t%s %d..%d\t%s\t%d\t%d\t%.1f ms\t%g s\n", r.Device, r.Table, r.First, r.First+r.Count-1,
				r.Reference, r.Points, r.Bytes, 1000*r.Wire, r.Every)
		}
	}
	fmt.Fprintln(w, "\nno mistakes")
	if len(cfg.Setup.Devices) == 0 {
		fmt.Fprintf(w, "%s: %s\n", noDevices, noDevicesHint)
	}
	return w.Flush()
}

func typeWords(r model.Register) string {
	if r.Type.Words() == 1 {
		return r.Type.String()
	}
	return r.Type.String() + ", " + r.Order.String()
}

func countWords(p model.Point) string {
	r := p.Register
	switch {
	case r.Exponent != nil:
		return fmt.Sprintf("10^(register %d) %s", *r.Exponent, p.Quantity.Unit())
	case r.Type == model.Float32 || r.Type == model.Float64:
		return "a float"
	case r.Type == model.BitValue:
		return "a contact"
	}
	step := r.Resolution.Step()
	if step == 0 {
		step = 1
	}
	return fmt.Sprintf("%g %s", step, p.Quantity.Unit())
}
