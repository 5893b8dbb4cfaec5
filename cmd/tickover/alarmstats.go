package main

import (
	"fmt"
	"io"

	"tickover/cmd/tickover/api"
	"tickover/cmd/tickover/record"
)

func printAlarmStats(out io.Writer, s api.AlarmStats) {
	fmt.Fprintf(out, "%d raised in %s of logged time: critical %d, warning %d, information %d\n",
		s.Raised, record.Seconds(s.Logged), s.ByPriority["critical"], s.ByPriority["warning"], s.ByPriority["information"])
	fmt.Fprintln(out, "target (ISA-18.2, from memory): 5 % of high, 15 % of medium, 80 % of low priority")
	if s.Average == nil {
		fmt.Fprintf(out, "in ten minutes: not determined, %s\n", s.Reason)
	} else {
		fmt.Fprintf(out, "announced in ten minutes: %.2f on average (1 is acceptable, 2 can be managed)\n", *s.Average)
		fmt.Fprintf(out, "highest count in any ten minutes: %d (more than 10 are a flood)\n", *s.Peak)
		fmt.Fprintf(out, "ten-minute periods with more than 10: %d of %d, %.1f %% (target below 1 %%, from memory)\n",
			*s.Floods, s.Spans, 100*float64(*s.Floods)/float64(s.Spans))
	}
	counts := func(title string, rows []api.AlarmCount, words func(int) string) {
		fmt.Fprintf(out, "%s:%s\n", title, noneOf(len(rows)))
		for _, a := range rows {
			fmt.Fprintf(out, "  %s (%s): %s\n", a.Label, a.Rule, words(a.Times))
		}
	}
	counts("raised most", s.Top, func(n int) string { return fmt.Sprintf("%s, %.0f %%", times(n), 100*float64(n)/float64(s.Raised)) })
	counts("chattering, 3 changes or more in a minute (from memory)", s.Chattering, func(n int) string { return fmt.Sprintf("%d in a minute", n) })
	fmt.Fprintf(out, "stale, active for more than 24 h (from memory):%s\n", noneOf(len(s.Stale)))
	for _, a := range s.Stale {
		fmt.Fprintf(out, "  %s (%s): for %s\n", a.Label, a.Rule, record.Seconds(a.For))
	}
}

func times(n int) string {
	if n == 1 {
		return "once"
	}
	return fmt.Sprintf("%d times", n)
}

func noneOf(n int) string {
	if n == 0 {
		return " none"
	}
	return ""
}
