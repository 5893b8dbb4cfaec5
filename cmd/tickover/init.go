package main

import (
	"bufio"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"strconv"
	"strings"

	"golang.org/x/term"

	"tickover/cmd/tickover/record"
	"tickover/config"
	"tickover/model"
)

// initCommand writes a configuration from a few answers and a survey.
type initCommand struct {
	Output        string `help:"File to write; - prints it." default:"/etc/tickover/tickover.yaml" placeholder:"FILE"`
	Force         bool   `help:"Replace a configuration that has devices. The old one is kept as FILE.old."`
	Survey        string `help:"What tickover survey --json printed; - reads it from a pipe." placeholder:"FILE"`
	Serial        string `help:"Serial port of the line, best by its name in /dev/serial/by-id or /dev/rs485." placeholder:"PATH" xor:"reach"`
	ModbusTCP     string `name:"modbus-tcp" help:"Gateway or device that speaks Modbus TCP." placeholder:"HOST:PORT" xor:"reach"`
	RTUTCP        string `name:"rtu-over-tcp" help:"Gateway that passes RTU frames through." placeholder:"HOST:PORT" xor:"reach"`
	Name          string `help:"Name of the set." placeholder:"WORDS"`
	Site          string `help:"Location of the set." placeholder:"WORDS"`
	ApparentPower string `help:"Rated apparent power, such as \"50 kVA\"." placeholder:"VALUE"`
	Voltage       string `help:"Rated voltage between two phases, such as \"400 V\"." placeholder:"VALUE"`
	Frequency     string `help:"Rated frequency, such as \"50 Hz\"." placeholder:"VALUE"`
	Poles         string `help:"Poles of the alternator: 4 for 1500 r/min at 50 Hz." placeholder:"N"`
	Battery       string `help:"Nominal voltage of the starter battery." placeholder:"VALUE"`
}

// Run asks for what no flag gave, if there is somebody to ask, and writes the
// file. What it writes was checked before.
func (c *initCommand) Run(s streams) error {
	if err := c.mayReplace(); err != nil {
		return err
	}
	all, err := c.surveyed(os.Stdin)
	if err != nil {
		return err
	}
	if c.Survey != "-" && term.IsTerminal(int(os.Stdin.Fd())) {
		if err := c.ask(os.Stdin, s.err); err != nil {
			return err
		}
	}
	text := c.text(all)
	var mistakes config.Mistakes
	cfg, err := config.Parse(c.Output, []byte(text))
	if errors.As(err, &mistakes) {
		fmt.Fprintln(s.err, mistakes.Error())
		return &model.Fault{Code: model.UsageFault, Err: errors.New("the answers make no valid configuration; nothing was written"), Hint: "give every value its unit, as in 50 kVA"}
	} else if err != nil {
		return err
	}
	if err := c.write(s, text); err != nil || c.Output == "-" || len(cfg.Setup.Devices) == 0 {
		return err
	}
	return printDangers(s.out, record.DangersOf(cfg.Setup))
}

// mayReplace refuses to write over somebody's work.
func (c *initCommand) mayReplace() error {
	if c.Output == "-" || c.Force {
		return nil
	}
	old, err := config.Load(c.Output)
	switch {
	case errors.Is(err, os.ErrNotExist):
		return nil
	case err == nil && len(old.Setup.Devices) == 0:
		return nil
	case err == nil:
		err = fmt.Errorf("%s has devices already", c.Output)
	default:
		err = fmt.Errorf("%s is there and cannot be read as a configuration", c.Output)
	}
	return &model.Fault{Code: model.UsageFault, Err: err, Hint: "choose another --output, or replace it with --force; the old one is then kept as FILE.old"}
}

// surveyed reads what a survey found; nothing without one.
func (c *initCommand) surveyed(pipe io.Reader) ([]found, error) {
	if c.Survey == "" {
		return nil, nil
	}
	if c.Survey != "-" {
		f, err := os.Open(c.Survey)
		if err != nil {
			return nil, &model.Fault{Code: model.UsageFault, Err: err, Hint: "write it with tickover survey --json > FILE"}
		}
		defer f.Close()
		pipe = f
	}
	var all []found
	if err := json.NewDecoder(pipe).Decode(&all); err != nil {
		return nil, &model.Fault{Code: model.UsageFault, Err: fmt.Errorf("read the survey: %w", err), Hint: "write it with tickover survey --json > FILE"}
	}
	if c.line() == "" {
		return nil, &model.Fault{Code: model.UsageFault, Err: errors.New("a survey does not say which line it was made on"), Hint: "add --serial, --modbus-tcp or --rtu-over-tcp as for the survey"}
	}
	return all, nil
}

// ask puts a question for every answer that no flag gave. An empty answer
// leaves the value out.
func (c *initCommand) ask(in io.Reader, out io.Writer) error {
	fmt.Fprintln(out, "What the nameplate says. An empty answer leaves it out; figures that need it are then not determined.")
	lines := bufio.NewScanner(in)
	for _, q := range []struct {
		to       *string
		question string
	}{
		{&c.Name, "Name of the set"}, {&c.Site, "Site"}, {&c.ApparentPower, "Apparent power (as 50 kVA)"},
		{&c.Voltage, "Voltage between phases (as 400 V)"}, {&c.Frequency, "Frequency (as 50 Hz)"},
		{&c.Poles, "Poles of the alternator (4 for 1500 r/min at 50 Hz)"}, {&c.Battery, "Starter battery (as 12 V)"},
	} {
		if *q.to != "" {
			continue
		}
		fmt.Fprintf(out, "%s: ", q.question)
		if !lines.Scan() {
			break
		}
		*q.to = strings.TrimSpace(lines.Text())
	}
	return lines.Err()
}

// line is the line's key and address; empty without one.
func (c *initCommand) line() string {
	switch {
	case c.Serial != "":
		return "serial: " + quoted(c.Serial)
	case c.ModbusTCP != "":
		return "modbus tcp: " + quoted(c.ModbusTCP)
	case c.RTUTCP != "":
		return "rtu over tcp: " + quoted(c.RTUTCP)
	}
	return ""
}

// quoted writes words so that YAML takes them for words.
func quoted(text string) string { return strconv.Quote(text) }

// text is the configuration.
func (c *initCommand) text(all []found) string {
	var b strings.Builder
	b.WriteString("# Written by tickover init. Every key is explained in the commented example,\n# /usr/share/doc/tickover/examples/tickover.yaml. Try it: tickover check --config FILE\n")
	fmt.Fprintf(&b, "set:\n  name: %s\n", quoted(orElse(c.Name, "Standby set")))
	for _, v := range []struct{ key, value string }{
		{"site", c.Site}, {"apparent power", c.ApparentPower}, {"voltage", c.Voltage}, {"frequency", c.Frequency}, {"poles", c.Poles}, {"battery", c.Battery},
	} {
		if v.value != "" {
			fmt.Fprintf(&b, "  %s: %s\n", v.key, quoted(v.value))
		}
	}
	if c.line() == "" {
		b.WriteString("# No line was given, so nothing is read yet.\n")
		return b.String()
	}
	fmt.Fprintf(&b, "lines:\n  - name: skid\n    %s\n", c.line())
	if len(all) > 0 && all[0].Baud > 0 {
		fmt.Fprintf(&b, "    baud: %d\n    parity: %s\n", all[0].Baud, all[0].Parity)
		b.WriteString(stubStopBits(all[0], ""))
	}
	b.WriteString(devicesText(all))
	return b.String()
}

// devicesText describes the units that describe themselves, and names the
// others for somebody to describe.
func devicesText(all []found) string {
	var known, unknown strings.Builder
	for _, f := range all {
		switch profile := profileOf(f.SunSpec); {
		case f.Baud != all[0].Baud || f.Parity != all[0].Parity:
			fmt.Fprintf(&unknown, "# Unit %d answers at %d Bd, parity %s: set it to the others' setting first.\n", f.Unit, f.Baud, f.Parity)
		case profile != "":
			fmt.Fprintf(&known, "  - name: meter%d\n    line: skid\n    unit: %d\n    profile: %s\n    base: %d\n    every: 1 s\n", f.Unit, f.Unit, profile, f.Base)
		default:
			fmt.Fprintf(&unknown, "# Unit %d answers%s. Describe its points from its register list, as for the device\n# \"engine\" in the example.\n", f.Unit, identityWords(f.Identity))
		}
	}
	text := unknown.String()
	if known.Len() > 0 {
		text += "devices:\n" + known.String()
	}
	if text == "" {
		text = "# Nobody was found on the line yet: tickover survey asks every unit.\n"
	}
	return text
}

func identityWords(i *model.Identity) string {
	if i == nil {
		return ""
	}
	words := strings.Map(func(r rune) rune { // a comment ends with its line
		if r < ' ' || r == 0x7f {
			return ' '
		}
		return r
	}, i.Vendor+" "+i.Product+" "+i.Revision)
	return " and says it is " + strings.TrimSpace(words)
}

func orElse(text, other string) string {
	if text == "" {
		return other
	}
	return text
}

// write puts the file in place; an old one is kept beside it.
func (c *initCommand) write(s streams, text string) error {
	if c.Output == "-" {
		_, err := io.WriteString(s.out, text)
		return err
	}
	if err := os.Rename(c.Output, c.Output+".old"); err != nil && !errors.Is(err, os.ErrNotExist) {
		return fmt.Errorf("keep the old configuration: %w", err)
	}
	if err := os.WriteFile(c.Output, []byte(text), 0o644); err != nil {
		return fmt.Errorf("write the configuration: %w", err)
	}
	_, err := fmt.Fprintf(s.out, "wrote %s\nnext: tickover check --config %s, then systemctl restart tickover\n", c.Output, c.Output)
	return err
}
