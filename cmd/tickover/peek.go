package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"path/filepath"
	"text/tabwriter"
	"time"

	"tickover/cmd/tickover/record"
	"tickover/collector"
	"tickover/collector/line"
	"tickover/config"
	"tickover/model"
	"tickover/model/transducer"
)

// peekCommand reads once.
type peekCommand struct {
	Config  string `help:"Configuration file." default:"/etc/tickover/tickover.yaml" placeholder:"FILE"`
	Line    string `help:"Name of the line, for raw registers; the only one when left out." placeholder:"LINE"`
	Unit    *uint8 `help:"Read raw registers of this unit." placeholder:"N"`
	Table   string `help:"Table to read raw: holding, input, coil or discrete." enum:"holding,input,coil,discrete" default:"holding"`
	Address uint16 `help:"First zero-based address to read raw." placeholder:"N"`
	Count   uint16 `help:"How many to read raw." default:"10" placeholder:"N"`
	Raw     bool   `help:"Print every plausible reading of the registers, in each type and word order."`
	Measure string `name:"quantity" help:"Mark the readings that could be this, such as voltage or pressure." placeholder:"QUANTITY"`
	JSON    bool   `help:"Print a JSON array."`
}

// Run reads every configured point once, or raw registers when a unit is
// given.
func (c *peekCommand) Run(ctx context.Context, s streams) error {
	cfg, err := loadConfig(c.Config, s.err)
	if err != nil {
		return err
	}
	if conn, err := net.DialTimeout("unix", filepath.Join(cfg.StateDir, "tickover.sock"), time.Second); err == nil {
		conn.Close()
		return &model.Fault{Code: model.LineFault, Err: errors.New("the daemon has the lines open"), Hint: "ask it instead (page, /api/v1/now), or stop it first"}
	}
	switch {
	case c.Unit != nil:
		return c.raw(ctx, cfg, s)
	case c.Raw || c.Measure != "":
		return &model.Fault{Code: model.UsageFault, Err: errors.New("which unit?"), Hint: "raw registers are read from one unit: name it with --unit"}
	}
	return c.points(ctx, cfg, s)
}

func (c *peekCommand) line(cfg *config.Config) (model.Line, error) {
	for _, l := range cfg.Setup.Lines {
		if c.Line == l.Name || c.Line == "" && len(cfg.Setup.Lines) == 1 {
			return l, nil
		}
	}
	return model.Line{}, &model.Fault{Code: model.UsageFault, Err: fmt.Errorf("there is no line %q", c.Line), Hint: "name one of the configuration's lines with --line"}
}

func (c *peekCommand) raw(ctx context.Context, cfg *config.Config, s streams) error {
	def, err := c.line(cfg)
	if err != nil {
		return err
	}
	unit := *c.Unit
	if unit == 0 || unit > 247 && (unit != 255 || def.Kind != model.TCPLine) { // 255 is a device without a line behind it
		return &model.Fault{Code: model.UsageFault, Err: fmt.Errorf("unit %d cannot be asked", unit), Hint: "units are 1 to 247; nobody answers to 0, and 248 and up are reserved"}
	}
	q := model.ReadRequest{Unit: unit, Table: tableNamed(c.Table), Address: c.Address, Count: c.Count}
	if int(c.Count) > q.Table.Limit() || c.Count == 0 {
		return &model.Fault{Code: model.UsageFault, Err: fmt.Errorf("%d registers do not fit one read", c.Count), Hint: fmt.Sprintf("ask for 1 to %d", q.Table.Limit())}
	}
	quantity, ok := model.QuantityNamed(c.Measure)
	if c.Measure != "" && (!ok || usual[quantity].high == 0) {
		return &model.Fault{Code: model.UsageFault, Err: fmt.Errorf("nothing is known of the usual values of %q", c.Measure), Hint: "use " + usualNames()}
	}
	l := line.New(def)
	defer l.Close()
	if err := l.Open(ctx); err != nil {
		return err
	}
	a, err := l.Read(ctx, q)
	if err != nil {
		return err
	}
	return c.printRaw(s, q, a, quantity)
}

func (c *peekCommand) printRaw(s streams, q model.ReadRequest, a model.Answer, quantity model.Quantity) error {
	raw := (c.Raw || c.Measure != "") && !q.Table.Bits()
	switch {
	case c.JSON && raw:
		return json.NewEncoder(s.out).Encode(readings(q.Table, q.Address, a.Words, quantity))
	case c.JSON:
		return json.NewEncoder(s.out).Encode(a.Words)
	case raw:
		return printReadings(s.out, q.Table, q.Address, a.Words, quantity)
	}
	w := tabwriter.NewWriter(s.out, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintln(w, "address\treference\thex\tunsigned\tsigned\t")
	for i, word := range a.Words {
		r := model.Register{Table: q.Table, Address: q.Address + uint16(i)}
		fmt.Fprintf(w, "%d\t%s\t%04x\t%d\t%d\t\n", r.Address, r.Reference(), word, word, int16(word))
	}
	return w.Flush()
}

func tableNamed(name string) model.Table {
	for _, t := range []model.Table{model.HoldingRegisters, model.InputRegisters, model.Coils, model.DiscreteInputs} {
		if t.String() == name {
			return t
		}
	}
	return model.HoldingRegisters
}

// peeked is one point as peek prints it.
type peeked struct {
	Point   model.PointID `json:"point"`
	Value   *float64      `json:"value"`
	Unit    string        `json:"unit"`
	Quality string        `json:"quality"`
	Cause   string        `json:"cause,omitempty"`

	quantity model.Quantity
}

func (c *peekCommand) points(ctx context.Context, cfg *config.Config, s streams) error {
	known := cfg.Setup.Points()
	var all []peeked
	var failed error
	for _, def := range cfg.Setup.Lines {
		l := line.New(def)
		if err := l.Open(ctx); err != nil {
			return errors.Join(err, l.Close())
		}
		for _, g := range collector.Groups(def, cfg.Setup.Devices) {
			scan, err := collector.Once(ctx, l, def, g, record.Instants(1))
			if err != nil {
				failed = err
				fmt.Fprintf(s.err, "tickover: %v\n", err)
			}
			transducer.Sense(cfg.Setup.Sensed, scan)
			for _, sample := range scan.Samples {
				all = append(all, peekedOf(sample, known[sample.Point].Quantity))
			}
		}
		if err := l.Close(); err != nil {
			return err
		}
	}
	if c.JSON {
		return errors.Join(json.NewEncoder(s.out).Encode(all), failed)
	}
	return errors.Join(printPeeked(s.out, all), failed)
}

// printPeeked writes each point in the unit people read it in; JSON keeps the
// canonical ones.
func printPeeked(out io.Writer, all []peeked) error {
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	for _, p := range all {
		if p.Value == nil {
			fmt.Fprintf(w, "%s\tbad: %s\n", p.Point, p.Cause)
			continue
		}
		fmt.Fprintf(w, "%s\t%s\n", p.Point, p.quantity.ShowWithUnit(*p.Value))
	}
	return w.Flush()
}

func peekedOf(s model.Sample, q model.Quantity) peeked {
	p := peeked{Point: s.Point, Unit: q.Unit(), Quality: s.Quality.String(), Cause: s.Cause.String(), quantity: q}
	if s.Quality == model.Good {
		p.Value = &s.Value
	}
	return p
}
