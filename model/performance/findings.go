package performance

import (
	"fmt"
	"math"
	"strings"
	"time"

	"tickover/model"
)

// findings says in five lines at most what was found, after a wiring fault.
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
	line := fmt.Sprintf("Ran %s, %s of it under load; %s, %s.", minutes(run.Running), minutes(run.Loaded),
		count(run.Cranks, "crank"), count(run.Starts, "start"))
	if run.CutShort != "" {
		line += " The record ends early: " + run.CutShort + "."
	}
	if r.tracks.cuts > 0 {
		line += fmt.Sprintf(" The record has %s; nothing is averaged across them.", count(r.tracks.cuts, "gap"))
	}
	return line
}

func (r *recorder) startLine() string {
	for _, s := range r.starts {
		if math.IsNaN(s.self) {
			continue
		}
		self := s.selfTime()
		parts := []string{"Reached self-sustained speed " + lasting(self) + " after the crank began"}
		if !self.Known {
			parts[0] = "Started; time to self-sustained speed not determined: " + self.Reason
		}
		if k := &s.starter; k.during.n > 0 {
			parts = append(parts, fmt.Sprintf("battery down to %s V", short(k.during.lo)))
		}
		switch oil := s.since(&s.oilUp, ""); {
		case oil.Known:
			parts = append(parts, "1 bar of oil pressure after "+lasting(oil))
		case s.oilUp.any:
			parts = append(parts, "1 bar of oil pressure: "+oil.Reason)
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
		return "No active power was read, so nothing is said about load."
	}
	if r.backwards.reason() != "" {
		return fmt.Sprintf("Highest load not determined, %s, %s.", count(len(rec.Steps), "load step"), count(len(rec.Steady), "steady span"))
	}
	line := fmt.Sprintf("Highest load %s kW", short(math.Round(r.soakLog.top/10)/100))
	if share := r.share(r.soakLog.top); !math.IsNaN(share) {
		line += fmt.Sprintf(" (%s %% of rating)", percent(share))
	}
	line += fmt.Sprintf(", %s, %s.", count(len(rec.Steps), "load step"), count(len(rec.Steady), "steady span"))
	return line
}

// classLine says which classes were met as far as the data go.
func (r *recorder) classLine(j *judgement, set int) string {
	line := classText(j, set, "meets")
	for i := range classes {
		if i != set {
			also := "would also meet"
			if set < classes && i < set {
				also = "would meet"
			}
			line += "; " + classText(j, i, also)
		}
	}
	return strings.ToUpper(line[:1]) + line[1:] + "."
}

// classWords is a set's verdict over all its figures, with the first reason
// why it is open; the rest of the reasons are among what was not tested.
func classText(j *judgement, set int, meets string) string {
	var outside []string
	within, open, first := 0, 0, ""
	for k := range keys {
		v, reason := j.verdict(k, set)
		switch v {
		case model.Outside:
			outside = append(outside, subjects[k].name)
		case model.NotDetermined:
			if open++; open == 1 {
				first = fmt.Sprintf("%s, because %s", subjects[k].name, reason)
			}
		case model.Within:
			within++
		}
	}
	name := j.sets[set].name
	if len(j.sets[set].limits) == 0 {
		return name + " names no limits: they are agreed on and belong into the configuration"
	}
	switch {
	case len(outside) > 0:
		return fmt.Sprintf("%s not met, outside is %s", name, strings.Join(outside, ", "))
	case open == 0:
		return meets + " " + name
	}
	if open > 1 {
		first = fmt.Sprintf("%s, and %d more", first, open-1)
	}
	if within == 0 {
		return fmt.Sprintf("%s not determined, open is %s", name, first)
	}
	return fmt.Sprintf("%s not determined: %d of %d figures within, none outside, open is %s", name, within, within+open, first)
}

// outsideLine names what was outside a limit that no class is about.
func outsideLine(rec *model.RunRecord) string {
	var list []string
	for _, f := range rec.Figures[min(int(keys), len(rec.Figures)):] {
		if f.Verdict == model.Outside {
			list = append(list, fmt.Sprintf("%s %s %s (limit %s)", f.Name, short(math.Round(f.Value*100)/100), f.Unit, f.Limit))
		}
	}
	if len(list) == 0 {
		return ""
	}
	return "Outside limits beside the class: " + strings.Join(list, ", ") + "."
}

// warmLine says whether and when the set was warm through.
func (r *recorder) warmLine() string {
	for _, f := range r.thermal() {
		if f.Known && strings.HasPrefix(f.Name, "thermal equilibrium") {
			return fmt.Sprintf("Thermally steady after %s min of %s.", short(math.Round(f.Value)), strings.Split(f.Note, ";")[0])
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
	return fmt.Sprintf("%s raised, %d critical, the first of them %s.", count(raised, "alarm"), critical, first.Label)
}

// notTested says what this run leaves open.
func (r *recorder) notTested(rec *model.RunRecord, j *judgement, set int) {
	reasons := map[string]int{}
	for k := range keys {
		v, reason := j.verdict(k, set)
		if v != model.NotDetermined {
			continue
		}
		if at, ok := reasons[reason]; ok {
			rec.NotTested[at] = strings.Replace(rec.NotTested[at], ":", ", "+subjects[k].name+":", 1)
			continue
		}
		reasons[reason] = len(rec.NotTested)
		rec.NotTested = append(rec.NotTested, "Not determined, "+subjects[k].name+": "+reason+".")
	}
	if usual := r.usualReading(); usual > 0 {
		rec.NotTested = append(rec.NotTested, fmt.Sprintf("Readings came every %.4g s: peaks between them, waveform and harmonics are beyond these instruments.", usual.Round(100*time.Millisecond).Seconds()))
	}
	if len(rec.Hand) == 0 {
		rec.NotTested = append(rec.NotTested, "No measurement by hand is on record: insulation, earth, protective devices and phase rotation are not covered.")
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
