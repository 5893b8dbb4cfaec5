package main

import (
	"fmt"
	"io"
	"strings"
	"time"

	"tickover/collector"
	"tickover/model"
)

// lineLoad is what the plan does to one line.
type lineLoad struct {
	Line     string     `json:"line"`
	Share    float64    `json:"share"`
	Shortest float64    `json:"shortest_interval_seconds"`
	Reads    []readLoad `json:"reads"`
	Burst    *burstLoad `json:"burst"`
	Assumed  float64    `json:"assumed_turnaround_seconds"`
	late     []string   // groups that take longer than their interval
}

// readLoad is one planned read.
type readLoad struct {
	Device    string  `json:"device"`
	Table     string  `json:"table"`
	First     int     `json:"first"`
	Count     int     `json:"count"`
	Wanted    int     `json:"wanted"` // of Count; the rest are gaps read through
	Reference string  `json:"reference"`
	Bytes     int     `json:"bytes"`
	Wire      float64 `json:"wire_seconds"`
	Share     float64 `json:"share"`
	Every     float64 `json:"every_seconds"`
	Points    int     `json:"points"`
}

// burstLoad is what the line gives while the set starts or takes a load step.
type burstLoad struct {
	Devices []burstDevice `json:"devices"`
	Every   float64       `json:"every_seconds"`
	Longest float64       `json:"longest_gap_seconds"`
}

// burstDevice is what is polled fast of one device.
type burstDevice struct {
	Device string          `json:"device"`
	Points []model.PointID `json:"points"`
}

// nearlyFull is the share of a line above which retries and exceptions no
// longer fit.
const nearlyFull = 0.8

func loadsOf(setup *model.Setup) []lineLoad {
	var loads []lineLoad
	for _, l := range setup.Lines {
		load := lineLoad{Line: l.Name, Reads: []readLoad{}, Assumed: collector.Turnaround.Seconds()}
		var round, longest time.Duration
		for _, g := range collector.Groups(l, setup.Devices) {
			cost := g.Cost(l)
			load.Share += cost.Seconds() / g.Every.Seconds()
			round, longest = round+cost, max(longest, cost)
			if cost > g.Every {
				load.late = append(load.late, fmt.Sprintf("%s takes %d ms", g.Name, cost.Milliseconds()))
			}
			for _, r := range g.Reads {
				load.Reads = append(load.Reads, readLoadOf(l, g, r))
			}
		}
		load.Shortest = round.Seconds()
		load.Burst = burstOf(l, setup.Devices, load.Share, longest)
		loads = append(loads, load)
	}
	return loads
}

// burstOf works out how often the fast points are read when the line has
// nothing else to do than the rounds that are due.
func burstOf(l model.Line, devices []model.Device, share float64, longest time.Duration) *burstLoad {
	b := &burstLoad{}
	var cost time.Duration
	for _, g := range collector.FastGroups(l, devices) {
		cost += g.Cost(l)
		d := burstDevice{Device: g.Device.Name}
		for _, i := range g.Points {
			d.Points = append(d.Points, g.Device.Points[i].ID)
		}
		b.Devices = append(b.Devices, d)
	}
	b.Every = collector.BurstEvery(cost, share).Seconds()
	if b.Every == 0 {
		return nil
	}
	b.Longest = (max(cost, collector.LeastBurst) + longest).Seconds()
	return b
}

func readLoadOf(l model.Line, g *collector.Group, r collector.Read) readLoad {
	data := 2 * int(r.Count)
	if r.Table.Bits() {
		data = (int(r.Count) + 7) / 8
	}
	wire := collector.WireTime(l, g.Device, r.Table, int(r.Count), g.Turnaround)
	return readLoad{
		Device: g.Device.Name, Table: r.Table.String(), First: int(r.Address), Count: int(r.Count), Wanted: r.Wanted(g.Device),
		Reference: model.Register{Table: r.Table, Address: r.Address}.Reference(), Bytes: 13 + data,
		Wire: wire.Seconds(), Share: wire.Seconds() / g.Every.Seconds(), Every: g.Every.Seconds(), Points: len(r.Points),
	}
}

// print writes the plan of one line as a table.
func (l lineLoad) print(w io.Writer) {
	fmt.Fprintf(w, "\nline %s: %.1f %% of its time is used; the shortest interval for all points is %.0f ms\n", l.Line, 100*l.Share, 1000*l.Shortest)
	fmt.Fprintf(w, "  assumed: each unit replies after %.0f ms; while the daemon runs, tickover lines shows the measured time\n", 1000*l.Assumed)
	fmt.Fprintln(w, "device\tread\treference\tpoints\twanted\tbytes\ton the wire\tevery\tof the line")
	for _, r := range l.Reads {
		fmt.Fprintf(w, "%s\t%s %d..%d\t%s\t%d\t%d of %d\t%d\t%.1f ms\t%g s\t%.1f %%\n", r.Device, r.Table, r.First, r.First+r.Count-1,
			r.Reference, r.Points, r.Wanted, r.Count, r.Bytes, 1000*r.Wire, r.Every, 100*r.Share)
	}
	l.printBurst(w)
}

func (l lineLoad) printBurst(w io.Writer) {
	switch {
	case l.Burst == nil && l.Share >= 1:
		fmt.Fprintln(w, "no burst: the line has no time for one")
		return
	case l.Burst == nil:
		fmt.Fprintln(w, "no burst: no point is polled fast (fast: yes on a point makes it so)")
		return
	}
	fmt.Fprintf(w, "burst while the set starts or takes a load step: %.1f times a second, gaps up to %.0f ms while a round is read, of\n",
		1/l.Burst.Every, 1000*l.Burst.Longest)
	for _, d := range l.Burst.Devices {
		names := make([]string, len(d.Points))
		for i, p := range d.Points {
			names[i] = string(p)
		}
		fmt.Fprintf(w, "  %s: %s\n", d.Device, strings.Join(names, ", "))
	}
}

// judge refuses a line that is asked for more than it has, and warns of one
// that has no room for what goes wrong.
func (l lineLoad) judge(warnings io.Writer) error {
	hint := "poll less often, split the line in two, or raise the baud rate"
	switch {
	case len(l.late) > 0:
		return &model.Fault{Code: model.ConfigFault, Err: fmt.Errorf("line %s is overloaded: %s, more than its interval", l.Line, strings.Join(l.late, ", ")), Hint: hint}
	case l.Share > 1:
		return &model.Fault{Code: model.ConfigFault, Err: fmt.Errorf("line %s is loaded to %.0f %% of its time", l.Line, 100*l.Share), Hint: hint}
	case l.Share > nearlyFull:
		fmt.Fprintf(warnings, "warning: line %s is loaded to %.0f %% of its time; retries and a silent unit will delay rounds\nhint: %s\n", l.Line, 100*l.Share, hint)
	}
	return nil
}
