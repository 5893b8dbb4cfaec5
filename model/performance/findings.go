package performance

import (
	"fmt"
	"math"
	"strings"
	"time"

	"tickover/model"
)

// findings writes what was found, in five lines at most after a wiring fault.
func (r *recorder) findings(rec *model.RunRecord, j *judgement, set int) {
	add := func(parts ...string) {
		if line := strings.TrimSpace(strings.Join(parts, " ")); line != "" {
			rec.Findings = append(rec.Findings, line)
		}
	}
	add(r.wiringLine())
	add(r.ranLine(), r.loadLine(rec))
	add(r.startLine())
	add(r.classLine(j, set))
	add(outsideLine(rec), r.warmLine())
	add(alarmLine(rec.Alarms))
}

func (r *recorder) ranLine() string {
	run := r.in.Run
	line := fmt.Sprintf("Ran %s, %s of it on load; %s, %s.", minutes(run.Running),
		minutes(run.Loaded), count(run.Cranks, "crank"), count(run.Starts, "start"))
	if run.CutShort != "" {
		line += " The record ends early: " + run.CutShort + "."
	}
	if r.tracks.cuts > 0 {
		line += fmt.Sprintf(" The record has %s; no average includes one.",
			count(r.tracks.cuts, "gap"))
	}
	return line
}

func (r *recorder) startLine() string {
	for _, s := range r.starts {
		if math.IsNaN(s.self) {
			continue
		}
		self := s.selfTime()
		parts := []string{"Self-sustained speed " + lasting(self) + " after cranking began"}
		if !self.Known {
			parts[0] = "Started; time to self-sustained speed not determined: " + self.Reason
		}
		if k := &s.starter; k.during.n > 0 {
			parts = append(parts, fmt.Sprintf("lowest battery voltage %.2f V", k.during.lo))
		}
		switch oil := s.since(&s.oilUp, ""); {
		case oil.Known:
			parts = append(parts, "oil pressure 1 bar after "+lasting(oil))
		case s.oilUp.any:
			parts = append(parts, "oil pressure 1 bar not determined: "+oil.Reason)
		}
		return strings.Join(parts, ", ") + "."
	}
	return ""
}

// lasting writes a time as the interval it is known to.
func lasting(f model.Figure) string {
	if f.Bound == model.Interval {
		return short(f.Low) + " to " + short(f.High) + " s"
	}
	if f.Bound == model.AtLeast {
		return "at least " + short(f.Value) + " s"
	}
	return short(f.Value) + " s"
}

func (r *recorder) loadLine(rec *model.RunRecord) string {
	if r.soakLog.counted == 0 {
		return "Load not determined: active power was not measured."
	}
	if r.backwards.reason() != "" {
		return fmt.Sprintf("Highest load not determined, %s, %s.",
			count(len(rec.Steps), "load step"), count(len(rec.Steady), "steady span"))
	}
	line := fmt.Sprintf("Highest load %s kW", short(math.Round(r.soakLog.top/10)/100))
	if share := r.share(r.soakLog.top); !math.IsNaN(share) {
		line += fmt.Sprintf(" (%s %% of rated power)", percent(share))
	}
	line += fmt.Sprintf(", %s, %s.", count(len(rec.Steps), "load step"),
		count(len(rec.Steady), "steady span"))
	return line
}

// classLine lists which classes were met as far as the data go, the one judged by first.
func (r *recorder) classLine(j *judgement, set int) string {
	texts := []string{classText(j, set)}
	for i := range classes {
		if i != set {
			texts = append(texts, classText(j, i))
		}
	}
	return strings.Join(texts, " ")
}

// classText is a limit set's verdict over all its figures: every limit that was exceeded, or
// the first one that is not determined. NotTested lists the rest.
func classText(j *judgement, set int) string {
	var exceeded, open []string
	met := 0
	for k := range keys {
		v, reason := j.verdict(k, set)
		switch v {
		case model.Outside:
			exceeded = append(exceeded, j.exceededText(k, set))
		case model.NotDetermined:
			open = append(open, fmt.Sprintf("%s (%s)", subjects[k].name, reason))
		case model.Within:
			met++
		}
	}
	name := j.sets[set].name
	switch {
	case len(j.sets[set].limits) == 0:
		return name + ": no limits. They are agreed with the customer: enter them in the " +
			"configuration."
	case len(exceeded) > 0:
		return name + ": not met. " + capital(strings.Join(exceeded, "; ")) + "."
	case len(open) == 0:
		return name + ": met."
	case met == 0:
		return fmt.Sprintf("%s: open. %d limits not determined, such as %s.", name, len(open),
			open[0])
	}
	return fmt.Sprintf(
		"%s: open. %d of %d limits met, none exceeded; %d not determined, such as %s.", name, met,
		met+len(open), len(open), open[0])
}

// exceededText is a figure that exceeds its limit, with both values.
func (j *judgement) exceededText(k key, set int) string {
	m, unit := j.of(k, set), subjects[k].unit
	_, limit, _ := j.limits(k, set)
	value := short(math.Abs(m.value))
	switch {
	case m.bound == model.Interval:
		value = "at least " + short(m.lo)
	case unit == "%":
		value = fmt.Sprintf("%.2f", math.Abs(m.value))
	}
	if m.bound == model.AtLeast {
		value = "at least " + value
	}
	return fmt.Sprintf("%s %s %s, limit %s %s", subjects[k].name, value, unit, short(limit), unit)
}

// capital begins a sentence.
func capital(text string) string { return strings.ToUpper(text[:1]) + text[1:] }

// outsideLine names what was outside a limit that no class is about.
func outsideLine(rec *model.RunRecord) string {
	var list []string
	for _, f := range rec.Figures[min(int(keys), len(rec.Figures)):] {
		if f.Verdict == model.Outside {
			list = append(
				list,
				fmt.Sprintf("%s %s %s (limit %s)", f.Name, short(math.Round(f.Value*100)/100),
					f.Unit, f.Limit),
			)
		}
	}
	if len(list) == 0 {
		return ""
	}
	return "Other limits exceeded: " + strings.Join(list, ", ") + "."
}

// warmLine is when the set reached thermal equilibrium; empty when it did not.
func (r *recorder) warmLine() string {
	for _, f := range r.thermal() {
		if f.Known && strings.HasPrefix(f.Name, "thermal equilibrium") {
			return fmt.Sprintf("Thermal equilibrium after %s min of %s.",
				short(math.Round(f.Value)), strings.Split(f.Note, ";")[0])
		}
	}
	return ""
}

func alarmLine(alarms []model.AlarmEvent) string {
	raised, critical := 0, 0
	var first *model.AlarmEvent
	for i, a := range alarms {
		if a.To != model.AlarmUnacknowledged {
			continue
		}
		raised++
		if a.Priority == model.Critical {
			critical++
			if first == nil {
				first = &alarms[i]
			}
		}
	}
	switch {
	case raised == 0:
		return "No alarm was raised."
	case first == nil:
		return fmt.Sprintf("%s raised, none critical.", count(raised, "alarm"))
	}
	return fmt.Sprintf("%s raised, %d critical; first critical alarm: %s.", count(raised, "alarm"),
		critical, first.Label)
}

// notTested lists what this run leaves open.
func (r *recorder) notTested(rec *model.RunRecord, j *judgement, set int) {
	var reasons []string
	names := map[string][]string{}
	for k := range keys {
		v, reason := j.verdict(k, set)
		if v != model.NotDetermined {
			continue
		}
		if names[reason] == nil {
			reasons = append(reasons, reason)
		}
		names[reason] = append(names[reason], subjects[k].name)
	}
	for _, reason := range reasons {
		rec.NotTested = append(
			rec.NotTested,
			fmt.Sprintf("Not determined: %s. Reason: %s.", strings.Join(names[reason], ", "),
				reason),
		)
	}
	if usual := r.usualReading(); usual > 0 {
		rec.NotTested = append(
			rec.NotTested,
			fmt.Sprintf(
				"Readings came every %.4g s: these instruments do not show peaks between "+
					"readings, waveform or harmonics.",
				usual.Round(100*time.Millisecond).Seconds(),
			),
		)
	}
	if len(rec.Hand) == 0 {
		rec.NotTested = append(
			rec.NotTested,
			"No hand measurement is on record: insulation, earthing, protective devices and "+
				"phase rotation are not tested.",
		)
	}
}

func count(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}

func minutes(d time.Duration) string {
	if d < time.Minute {
		return model.Lasting(d.Round(time.Second))
	}
	return model.Lasting(d.Truncate(time.Minute))
}
