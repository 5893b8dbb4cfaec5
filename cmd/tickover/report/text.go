package report

import (
	"bufio"
	"cmp"
	"fmt"
	"io"
	"strings"
	"text/tabwriter"
	"unicode/utf8"

	"tickover/model"
)

// Text writes a summary for a terminal of 80 columns.
func Text(w io.Writer, rec *model.RunRecord, clock model.Clock) error {
	t := terminal{bufio.NewWriter(w), datingOf(rec, clock)}
	t.head(rec)
	t.bullets("Found", rec.Findings)
	t.bullets("Not tested, not determined", rec.NotTested)
	t.states(rec.Run.States)
	for i, s := range rec.FirstStart {
		t.figures(fmt.Sprintf("Start %d at %s (%s)", i+1, t.d.when(s.At), t.d.into(s.At)), s.Figures)
	}
	for i, s := range rec.Steps {
		t.figures(fmt.Sprintf("Load step %d at %s, %s: %s to %s", i+1, t.d.into(s.At), s.Phases,
			model.ActivePower.ShowWithUnit(s.From), model.ActivePower.ShowWithUnit(s.To)), s.Figures)
	}
	for _, g := range rec.Repeats {
		t.figures(fmt.Sprintf("Step made %d times, %s: %s to %s", len(g.Steps), g.Phases, model.ActivePower.ShowWithUnit(g.From), model.ActivePower.ShowWithUnit(g.To)), g.Figures)
	}
	t.influence(rec.Influence)
	t.figures("Figures, class "+rec.Class, rec.Figures)
	t.table("Log-sheet", t.d.soak(rec))
	t.table("Steady stretches", t.d.steadyTable(rec))
	t.bench(rec)
	t.alarms(rec.Alarms)
	t.line("")
	t.wrap("", model.Advisory)
	if err := t.Flush(); err != nil {
		return fmt.Errorf("write the report as text: %w", err)
	}
	return nil
}

const textWidth = 80

type terminal struct {
	*bufio.Writer
	d dating
}

func (t terminal) line(format string, args ...any) {
	fmt.Fprintf(t, "%s\n", strings.TrimRight(fmt.Sprintf(format, args...), " "))
}

func (t terminal) head(rec *model.RunRecord) {
	if rec.Simulated {
		t.line("SIMULATED DATA: nothing here was measured.")
	}
	r := rec.Run
	t.wrap("", fmt.Sprintf("Run %s of %s", r.ID, nameOf(rec.Rating)))
	t.line("  started  %s", t.d.stamp(r.Started))
	t.wrap("  ended    ", t.d.ending(r))
	t.line("  cranks   %d, starts %d", r.Cranks, r.Starts)
	t.line("  running  %s, loaded %s (h:mm:ss)", clockwise(r.Running), clockwise(r.Loaded))
	t.line("  clock    %s", rec.ClockKnown)
	t.line("  verdicts %s", tally(rec))
}

// ending says when and how the run ended.
func (d dating) ending(r model.Run) string {
	switch {
	case r.Open || r.Ended.IsZero():
		return "still going on"
	case r.CutShort != "":
		return d.stamp(r.Ended) + ": " + r.CutShort
	}
	return d.stamp(r.Ended)
}

func nameOf(r model.Rating) string {
	name := r.Name
	if name == "" {
		name = "the set"
	}
	if r.Site != "" {
		name += ", " + r.Site
	}
	return name
}

func (t terminal) bullets(title string, items []string) {
	if len(items) == 0 {
		return
	}
	t.line("")
	t.line("%s", title)
	for _, s := range items {
		t.wrap("  - ", s)
	}
}

// figures writes one figure a line, with reason and interval below where the
// verdict needs them.
func (t terminal) figures(title string, figures []model.Figure) {
	if len(figures) == 0 {
		return
	}
	t.line("")
	t.wrap("", title)
	for _, f := range figures {
		t.figure(f)
		if f.Reason != "" {
			t.wrap("      ", f.Reason)
		}
	}
}

// figure writes one figure in columns, or as a sentence when it is too long.
func (t terminal) figure(f model.Figure) {
	limit := cmp.Or(f.Limit, "–")
	row := fmt.Sprintf("  %s %s %s %s %s", sign(f.Verdict), pad(f.Name, 30), pad(value(f), 21), pad(limit, 12), f.Verdict)
	if utf8.RuneCountInString(row) <= textWidth {
		t.line("%s", row)
		return
	}
	parts := []string{f.Name + ": " + value(f)}
	if f.Limit != "" {
		parts = append(parts, "limit "+f.Limit)
	}
	if verdict := f.Verdict.String(); verdict != value(f) {
		parts = append(parts, verdict)
	}
	t.wrap("  "+sign(f.Verdict)+" ", strings.Join(parts, ", "))
}

// states lists what the engine did and by which evidence.
func (t terminal) states(spans []model.StateSpan) {
	if len(spans) == 0 {
		return
	}
	t.line("")
	t.line("Engine states, with the evidence for each")
	for _, s := range t.d.states(spans) {
		if s.Gap != "" {
			t.wrap("  ", s.Gap)
		}
		t.wrap(fmt.Sprintf("  %s %s ", pad(t.d.into(s.From), 8), pad(s.State.Label(), 18)), s.Evidence)
	}
}

// table writes a plain table, which may be wider than a terminal.
func (t terminal) table(title string, in table) {
	if len(in.Rows) == 0 {
		return
	}
	t.line("")
	t.line("%s", title)
	w := tabwriter.NewWriter(t, 0, 0, 2, ' ', 0)
	for _, row := range append([][]string{in.Head}, in.Rows...) {
		fmt.Fprintln(w, "  "+strings.Join(row, "\t"))
	}
	w.Flush()
	if in.Note != "" {
		t.wrap("  ", in.Note)
	}
}

// influence tables what one-phase loads did to the voltages.
func (t terminal) influence(in *model.Influence) {
	if in == nil {
		return
	}
	t.line("")
	t.line("Load on one phase, change of each voltage to neutral in V per kW")
	t.line("  measured    load on L1  load on L2  load on L3")
	for i, row := range in.VoltsPerWatt {
		line := fmt.Sprintf("  L%d        ", i+1)
		for _, v := range row {
			line += fmt.Sprintf("%12s", perKilowatt(v))
		}
		t.line("%s", line)
	}
	t.wrap("  ", "Regulator: "+in.Senses+".")
	t.figures("Voltages under load on one phase", in.Figures)
}

func perKilowatt(v float64) string {
	if !finite(v) {
		return "–"
	}
	return number(1000 * v)
}

func (t terminal) alarms(events []model.AlarmEvent) {
	t.line("")
	if len(events) == 0 {
		t.line("No alarms.")
		return
	}
	t.line("Alarms")
	for _, a := range events {
		t.wrap(fmt.Sprintf("  %s ", pad(t.d.into(a.At), 9)), fmt.Sprintf("%s: %s, %s, %s", a.Priority, a.Label, a.To, seen(a)))
	}
}

// seen says what an alarm saw and what it was held against.
func seen(a model.AlarmEvent) string {
	text := "no good reading"
	if a.Quality == model.Good {
		text = a.Quantity.ShowWithUnit(a.Value)
	}
	if a.Quantity != model.NoQuantity {
		text += ", limit " + a.Quantity.ShowWithUnit(a.Limit)
	}
	return text
}

func pad(s string, width int) string {
	return s + strings.Repeat(" ", max(0, width-utf8.RuneCountInString(s)))
}

// wrap writes text after a first-line prefix, later lines indented alike.
func (t terminal) wrap(prefix, text string) {
	indent := strings.Repeat(" ", utf8.RuneCountInString(prefix))
	line, used := prefix, false
	for word := range strings.FieldsSeq(text) {
		if used && utf8.RuneCountInString(line)+1+utf8.RuneCountInString(word) > textWidth {
			t.line("%s", line)
			line, used = indent, false
		}
		if used {
			line += " "
		}
		line, used = line+word, true
	}
	t.line("%s", line)
}
