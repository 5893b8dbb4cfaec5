package main

import (
	"cmp"
	"fmt"
	"io"
	"strings"
	"time"

	"tickover/model"
	"tickover/model/performance"
)

// printSight says what the configured intervals can judge of load steps, and what
// interval could.
func printSight(out io.Writer, setup *model.Setup, loads []lineLoad) {
	fmt.Fprintln(out, "\nwhat these intervals can judge of load steps, by the classes of ISO 8528-5:")
	for _, frequency := range []bool{true, false} {
		name := "voltage"
		if frequency {
			name = "frequency"
		}
		every, burst, known := slowest(setup, loads, frequency)
		if !known {
			fmt.Fprintf(out, "  %s: not judged, no point is read\n", name)
			continue
		}
		printOneSight(out, name, every, burst, performance.SightOf(every, burst, frequency))
	}
}

func printOneSight(out io.Writer, name string, every, burst time.Duration, s performance.Sight) {
	rate := "every " + inSeconds(every)
	if burst > 0 {
		rate += fmt.Sprintf(", every %s in the burst after the step", inSeconds(burst.Round(time.Millisecond)))
	}
	fmt.Fprintf(out, "  %s, read %s\n", name, rate)
	for _, c := range s.Recovery {
		switch {
		case s.Why != "":
			fmt.Fprintf(out, "    %s, recovery within %s: not judged: %s\n", c.Class, inSeconds(c.Limit), s.Why)
		case c.Room == 0:
			fmt.Fprintf(out, "    %s, recovery within %s: cannot be shown to be met, the readings are too far apart\n", c.Class, inSeconds(c.Limit))
		default:
			fmt.Fprintf(out, "    %s, recovery within %s: met is shown for a set that needs %s at most\n", c.Class, inSeconds(c.Limit), inSeconds(c.Room.Truncate(100*time.Millisecond)))
		}
	}
	fmt.Fprintf(out, "    %s\n", s.Peak)
	if s.Enough > 0 {
		fmt.Fprintf(out, "    to judge every class, read the %s at least every %s (every:)\n", name, inSeconds(s.Enough))
	}
}

func inSeconds(d time.Duration) string { return fmt.Sprintf("%g s", d.Seconds()) }

// slowest returns how often the frequency is read, or the voltage of the phase that
// is read most rarely.
func slowest(setup *model.Setup, loads []lineLoad, frequency bool) (every, burst time.Duration, known bool) {
	for _, d := range setup.Devices {
		for _, p := range d.Points {
			is := p.ID == model.FrequencyPoint
			if !frequency {
				is = p.Quantity == model.Voltage && strings.HasPrefix(string(p.ID), "voltage.l")
			}
			own := cmp.Or(p.Every, d.Every, time.Second)
			if !is || known && own <= every {
				continue
			}
			every, burst, known = own, 0, true
			for _, l := range loads {
				if p.Fast && l.Line == d.Line && l.Burst != nil {
					burst = time.Duration(l.Burst.Every * float64(time.Second))
				}
			}
		}
	}
	return every, burst, known
}
