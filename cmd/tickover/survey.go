package main

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"text/tabwriter"
	"time"

	"tickover/collector/line"
	"tickover/config"
	"tickover/model"
)

// surveyCommand looks along a line for units that answer.
type surveyCommand struct {
	Serial    string        `help:"Serial port, best by its name in /dev/serial/by-id." placeholder:"PATH" xor:"reach" required:""`
	ModbusTCP string        `name:"modbus-tcp" help:"Gateway or device that speaks Modbus TCP." placeholder:"HOST:PORT" xor:"reach" required:""`
	RTUTCP    string        `name:"rtu-over-tcp" help:"Gateway that passes RTU frames through." placeholder:"HOST:PORT" xor:"reach" required:""`
	Units     string        `help:"Units to ask, such as 1-32,100." default:"1-247" placeholder:"LIST"`
	Bauds     []int         `help:"Rates to try, one after another." default:"19200,9600" placeholder:"BAUD"`
	Parities  []string      `help:"Parities to try: even, odd, none." default:"even,none" enum:"even,odd,none" placeholder:"PARITY"`
	StopBits  int           `name:"stop-bits" help:"1 or 2; 0 takes 1 with parity and 2 without, as the serial guide has it. A port without a second stop bit, such as a Pi's mini-UART, needs 1." default:"0" enum:"0,1,2" placeholder:"N"`
	Timeout   time.Duration `help:"Timeout of each unit. Units built on libmodbus do not listen for half a second after a request to another unit: use 600ms." default:"300ms"`
	JSON      bool          `help:"Print a JSON array."`
}

// found is a unit that answered.
type found struct {
	Unit     uint8           `json:"unit"`
	Baud     int             `json:"baud,omitempty"`
	Parity   string          `json:"parity,omitempty"`
	StopBits int             `json:"stop_bits,omitempty"` // as asked for
	Answer   string          `json:"answer"`
	Identity *model.Identity `json:"identity,omitempty"`
	SunSpec  []uint16        `json:"sunspec_models,omitempty"`
	Base     uint16          `json:"sunspec_base,omitempty"`
	table    model.Table     // where register 0 was read
	plain    bool            // it was
}

// Run asks every unit at every setting, prints what answered and a
// configuration to start from.
func (c *surveyCommand) Run(ctx context.Context, s streams) error {
	units, err := unitList(c.Units)
	if err != nil {
		return &model.Fault{Code: model.UsageFault, Err: err, Hint: "write units as 1-32,100; they go from 1 to 247"}
	}
	settings := c.settings()
	progress := bar(s.err, "asking").setTotal(int64(len(units) * len(settings)))
	var all []found
	garbled := map[string]int{}
	for _, def := range settings {
		var more []found
		more, err = surveyLine(ctx, def, units, c.Timeout, progress, garbled)
		if all = append(all, more...); err != nil {
			break
		}
	}
	asked := progress.done.Load()
	progress.finish()
	if err != nil && ctx.Err() == nil && len(all) == 0 {
		return err
	}
	if err := c.print(s, all, garbled); err != nil {
		return err
	}
	if ctx.Err() != nil {
		return &model.Fault{Code: model.RuntimeFault, Err: fmt.Errorf("stopped after %d of %d questions", asked, progress.total.Load()), Hint: "the units found so far are printed"}
	}
	return err // of the line; what was found before is printed
}

// settings are the lines to try; over a network there is nothing to vary.
func (c *surveyCommand) settings() []model.Line {
	switch {
	case c.ModbusTCP != "":
		return []model.Line{{Name: "bus", Kind: model.TCPLine, Address: c.ModbusTCP}}
	case c.RTUTCP != "":
		return []model.Line{{Name: "bus", Kind: model.RTUOverTCP, Address: c.RTUTCP}}
	}
	var all []model.Line
	for _, baud := range c.Bauds {
		for _, p := range []model.Parity{model.EvenParity, model.OddParity, model.NoParity} {
			for _, named := range c.Parities {
				if p.String() == named {
					all = append(all, model.Line{Name: "bus", Address: c.Serial, Baud: baud, Parity: p, StopBits: c.StopBits})
				}
			}
		}
	}
	return all
}

// unitList reads "1-32,100".
func unitList(text string) ([]uint8, error) {
	var units []uint8
	for part := range strings.SplitSeq(text, ",") {
		from, to, isRange := strings.Cut(strings.TrimSpace(part), "-")
		if !isRange {
			to = from
		}
		low, err := strconv.Atoi(from)
		high, err2 := strconv.Atoi(to)
		if err != nil || err2 != nil || low < 1 || high > 247 || low > high {
			return nil, fmt.Errorf("%q is not a list of units", part)
		}
		for u := low; u <= high; u++ {
			units = append(units, uint8(u))
		}
	}
	return units, nil
}

// surveyLine asks every unit at one setting, and where anything was heard at
// all asks those once more that gave no answer: noise may have taken it. The
// error says that the line cannot be used or that the survey was stopped; what
// was found comes anyway.
func surveyLine(ctx context.Context, def model.Line, units []uint8, timeout time.Duration, progress *progress, garbled map[string]int) ([]found, error) {
	l := line.New(def)
	defer l.Close()
	if err := l.Open(ctx); err != nil {
		return nil, err
	}
	p := pass{line: l, timeout: timeout, progress: progress, garbled: map[uint8]bool{}}
	err := p.over(ctx, units)
	if silent := p.silent; err == nil && p.heard() {
		progress.addTotal(int64(len(silent)))
		err = p.over(ctx, silent)
	}
	if err == nil && len(p.found) == 0 {
		err = p.hungUp
	}
	if len(p.garbled) > 0 {
		garbled[settingWords(def)] += len(p.garbled)
	}
	slices.SortFunc(p.found, func(a, b found) int { return cmp.Compare(a.Unit, b.Unit) })
	for i := range p.found {
		if def.Kind == model.SerialLine {
			p.found[i].Baud, p.found[i].Parity, p.found[i].StopBits = def.BaudOrDefault(), def.Parity.String(), def.StopBits
		}
	}
	return p.found, err
}

// pass is the way over the units of a line, and over some of them again.
type pass struct {
	line     *line.Line
	timeout  time.Duration
	progress *progress
	found    []found
	silent   []uint8        // units that gave no good answer
	garbled  map[uint8]bool // those that gave nothing but bad ones
	hungUp   error          // what a gateway did when asked for one of them
}

// over asks each of the units.
func (p *pass) over(ctx context.Context, units []uint8) error {
	for _, unit := range units {
		f, there, err := askUnit(ctx, p.line, unit, p.timeout)
		if ctx.Err() != nil {
			return ctx.Err()
		}
		var read *model.ReadError
		switch {
		case there:
			p.found = append(p.found, f)
			delete(p.garbled, unit)
		case errors.As(err, &read) && read.Cause == model.LineClosed:
			return err
		default:
			p.silent = append(p.silent, unit)
			if errors.Is(err, line.ErrHungUp) {
				p.hungUp = err
			}
			if errors.As(err, &read) && read.Cause != model.NoAnswer && read.Cause != model.DeviceException {
				p.garbled[unit] = true
			}
		}
		p.progress.add(1)
	}
	return nil
}

// heard reports whether the line carried anything that was no gateway's word
// and no echo.
func (p *pass) heard() bool {
	h := p.line.Health()
	return len(p.found) > 0 || h.Corrupt+h.Foreign+h.Ghosts+h.Late > 0
}

func settingWords(l model.Line) string {
	if l.Kind != model.SerialLine {
		return l.Address
	}
	return fmt.Sprintf("%d Bd, parity %s", l.BaudOrDefault(), l.Parity)
}

// print writes what was found.
func (c *surveyCommand) print(s streams, all []found, garbled map[string]int) error {
	for setting, n := range garbled {
		fmt.Fprintf(s.err, "at %s %d answers were garbled: a unit there may have another baud or parity, or two units have one number\n", setting, n)
	}
	if c.JSON {
		if all == nil {
			all = []found{}
		}
		return json.NewEncoder(s.out).Encode(all)
	}
	if len(all) == 0 {
		fmt.Fprintln(s.out, "no unit replied")
		fmt.Fprintln(s.err, "hint: check that the unit is powered, exchange A and B, try other rates with --bauds and a longer --timeout")
		return nil
	}
	w := tabwriter.NewWriter(s.out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "unit\tbaud\tparity\tanswer\tidentity\tSunSpec models")
	for _, f := range all {
		baud, who := "", ""
		if f.Baud > 0 {
			baud = strconv.Itoa(f.Baud)
		}
		if f.Identity != nil {
			who = strings.TrimSpace(f.Identity.Vendor + " " + f.Identity.Product + " " + f.Identity.Revision)
		}
		fmt.Fprintf(w, "%d\t%s\t%s\t%s\t%s\t%s\n", f.Unit, baud, f.Parity, f.Answer, who, modelWords(f.SunSpec))
	}
	if err := w.Flush(); err != nil {
		return err
	}
	_, err := io.WriteString(s.out, "\n"+c.stub(all))
	return err
}

func modelWords(models []uint16) string {
	var parts []string
	for _, m := range models {
		parts = append(parts, strconv.Itoa(int(m)))
	}
	return strings.Join(parts, ", ")
}

// profileOf names the embedded profile of the first model that has one.
func profileOf(models []uint16) string {
	for _, m := range models {
		name := fmt.Sprintf("sunspec %d", m)
		if _, ok := config.ProfileText(name); ok {
			return name
		}
	}
	return ""
}
