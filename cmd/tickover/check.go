package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"os"
	"strconv"
	"strings"
	"text/tabwriter"

	"tickover/alarms"
	"tickover/cmd/tickover/daemon"
	"tickover/cmd/tickover/record"
	"tickover/config"
	"tickover/model"
)

// checkCommand checks a configuration.
type checkCommand struct {
	Config string `help:"Configuration file." default:"/etc/tickover/tickover.yaml" placeholder:"FILE"`
	JSON   bool   `help:"Print a JSON object."`
}

// Run prints registers, plan and the load of each line. A line asked for more
// than it can carry is a mistake; one that is nearly full is warned of.
func (c *checkCommand) Run(ctx context.Context, s streams) error {
	cfg, err := loadConfig(c.Config, s.err)
	if err != nil {
		return err
	}
	if err := daemon.CheckAccess(cfg, slog.New(slog.NewTextHandler(s.err, nil))); err != nil {
		return err
	}
	if err := checkHook(cfg.Outlets.Hook); err != nil {
		return err
	}
	if err := checkRenamed(cfg.Setup); err != nil {
		return err
	}
	if err := checkLimits(cfg.Setup); err != nil {
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
	if err != nil {
		return err
	}
	for _, l := range loads {
		if err := l.judge(s.err); err != nil {
			return err
		}
	}
	if !c.JSON {
		fmt.Fprintln(s.out, "\nno mistakes")
		if len(cfg.Setup.Devices) == 0 {
			fmt.Fprintf(s.out, "%s: %s\n", daemon.NoDevices, daemon.NoDevicesHint)
		}
	}
	return err
}

// checkRenamed returns a fault for an alarm under the old name of a standard rule: it
// replaces nothing, and both warn.
func checkRenamed(setup model.Setup) error {
	for _, own := range setup.Alarms {
		if now := alarms.Renamed(own.ID); now != "" {
			return &model.Fault{Code: model.ConfigFault, Err: fmt.Errorf("the alarm %s no longer replaces a standard alarm: "+
				"the standard one is now %s and monitors all phases", own.ID, now),
				Hint: fmt.Sprintf("rename it %s, once for all phases, or remove it", now)}
		}
	}
	return nil
}

// checkLimits holds the configuration's alarms against the standard ones that
// stay in force beside them.
func checkLimits(setup model.Setup) error {
	all := record.Rules(setup)
	for i, mild := range all {
		for j, grave := range all {
			if own := len(setup.Alarms); (i < own) != (j < own) && mild.WarnsAfter(grave) {
				when := func(r model.AlarmRule) string { return strings.ReplaceAll(whenWords(r), "`", "") }
				return &model.Fault{Code: model.ConfigFault, Err: fmt.Errorf("the %s alarm %s (%s) comes after the %s one %s (%s)", mild.Priority, mild.ID, when(mild), grave.Priority, grave.ID, when(grave)),
					Hint: "one of the two is a standard alarm: let the milder come first, or give the standard one another limit by an alarm of its name"}
			}
		}
	}
	return nil
}

// checkHook looks for the command of a buzzer or lamp. A daemon without it
// starts and counts the failures: it is the check that has to say so.
func checkHook(h model.Hook) error {
	if len(h.Command) == 0 {
		return nil
	}
	file, err := os.Stat(h.Command[0])
	switch {
	case err != nil:
		return &model.Fault{Code: model.ConfigFault, Err: fmt.Errorf("the hook's command: %w", err), Hint: "put the program there, or correct the path in hook: command:. Without it no alarm sounds"}
	case file.IsDir(), file.Mode()&0o111 == 0:
		return &model.Fault{Code: model.ConfigFault, Err: fmt.Errorf("the hook's command: %s is not an executable program", h.Command[0]), Hint: "make it executable: chmod 755 " + h.Command[0]}
	}
	return nil
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
		l.print(w)
	}
	if err := w.Flush(); err != nil {
		return err
	}
	if words := cfg.Setup.Supply.Words(cfg.Setup.Rating.Battery); words != "" {
		fmt.Fprintf(out, "\nthe logger takes %s\n", words)
	}
	printSight(out, &cfg.Setup, loads)
	if err := printDangers(out, record.DangersOf(cfg.Setup)); err != nil {
		return err
	}
	printReplaced(out, cfg.Setup)
	return printSensors(out, cfg.Setup.Sensed)
}

// printReplaced names the alarms of the configuration that stand in the place
// of standard ones, loudly where a milder one does.
func printReplaced(out io.Writer, setup model.Setup) {
	when := func(r model.AlarmRule) string {
		return fmt.Sprintf("%s, %s", r.Priority, strings.ReplaceAll(whenWords(r), "`", ""))
	}
	standard := setup
	standard.Alarms = nil
	for _, r := range record.Rules(standard) {
		for _, own := range setup.Alarms {
			switch {
			case own.ID != r.ID:
			case own.Priority < r.Priority:
				fmt.Fprintf(out, "\nMILDER THAN THE STANDARD ALARM that it replaces: %s (%s; the standard one: %s)\n", own.ID, when(own), when(r))
			default:
				fmt.Fprintf(out, "\nreplaces the standard alarm: %s (%s; the standard one: %s)\n", own.ID, when(own), when(r))
			}
		}
	}
}

func typeWords(r model.Register) string {
	if r.Type.Words() == 1 {
		return r.Type.String()
	}
	return r.Type.String() + ", " + r.Order.String()
}

// countWords says what one count of a register means, in the unit people read.
func countWords(p model.Point) string {
	r := p.Register
	switch r.Type {
	case model.Float32, model.Float64:
		return "a float"
	case model.BitValue:
		return "a contact"
	}
	step := r.Resolution.Step()
	if step == 0 {
		step = 1
	}
	unit := p.Quantity.ShownUnit()
	words := strings.TrimSpace(strconv.FormatFloat(model.InUnit(step, p.Quantity, unit), 'g', 10, 64) + " " + unit)
	if r.Exponent != nil {
		words += fmt.Sprintf(" × 10^(register %d)", *r.Exponent)
	}
	return words
}
