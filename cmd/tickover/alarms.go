package main

import (
	"cmp"
	"context"
	"fmt"
	"io"
	"net/url"
	"slices"
	"text/tabwriter"
	"time"

	"tickover/cmd/tickover/api"
	"tickover/cmd/tickover/client"
	"tickover/cmd/tickover/record"
	"tickover/model"
)

// alarmsCommand lists alarms and takes what a person does to one.
type alarmsCommand struct {
	List     alarmsList         `cmd:"" default:"withargs" help:"List the alarms (the default)."`
	Ack      alarmsAck          `cmd:"" help:"Acknowledge one alarm: a person has seen it. It does not clear the alarm."`
	Reset    alarmsReset        `cmd:"" help:"Reset one alarm whose condition is over. Refused while the condition lasts."`
	Shelve   alarmsShelve       `cmd:"" help:"Shelve one alarm for a time: it is not announced."`
	Unshelve alarmsUnshelve     `cmd:"" name:"unshelve" help:"End a shelving early."`
	Out      alarmsOutOfService `cmd:"" name:"out-of-service" help:"Take one alarm out of service until it is returned, for repairs."`
	In       alarmsInService    `cmd:"" name:"in-service" help:"Return one alarm to service."`
	Boxes    alarmsBoxes        `cmd:"" help:"List the black boxes: readings around critical alarms and abrupt stops, kept for ever at full rate."`
	Table    alarmsTable        `cmd:"" help:"Print every rule with its limit, what to do by hand and its basis, as Markdown."`
	Test     alarmsTest         `cmd:"" help:"Send a test notification to every target and show the result."`
}

// alarmsList lists where the alarms stand.
type alarmsList struct {
	client.StateFolder
	JSON  bool `help:"Print JSON."`
	Stats bool `help:"Print alarm statistics over all logged time: how often, most frequent, chattering and stale alarms."`
}

// marks says what else the alarm does that it should not.
func marks(r api.Alarm) string {
	text := ""
	if r.Chatters > 0 {
		text = fmt.Sprintf(", chattering: %d changes in a minute", r.Chatters)
	}
	if r.Stale > 0 {
		text += ", stale: active for " + record.Seconds(r.Stale)
	}
	return text
}

// Run prints the list.
func (c *alarmsList) Run(ctx context.Context, s streams) error {
	a, err := c.Open(false)
	if err != nil {
		return err
	}
	defer a.Close()
	address := "/api/v1/alarms"
	if c.Stats {
		address = "/api/v1/alarms/stats"
	}
	if c.JSON {
		return a.Get(ctx, s.out, address, nil)
	}
	if c.Stats {
		var stats api.AlarmStats
		if err := a.List(ctx, address, nil, &stats); err != nil {
			return err
		}
		printAlarmStats(s.out, stats)
		return nil
	}
	var rows []api.Alarm
	if err := a.List(ctx, address, nil, &rows); err != nil {
		return err
	}
	return printAlarms(s.out, rows)
}

// quiet tells what is as it should be from what somebody should look at.
func quiet(r api.Alarm) bool {
	return r.State == model.AlarmNormal.String() || r.State == model.AlarmSuppressedByDesign.String()
}

// printAlarms writes what stands first: it is looked for in a hurry.
func printAlarms(out io.Writer, rows []api.Alarm) error {
	if len(rows) == 0 {
		fmt.Fprintln(out, "no daemon runs, so no alarm is monitored now.\nFor past alarms see tickover alarms --stats, tickover alarms boxes and the report.")
		return nil
	}
	slices.SortStableFunc(rows, func(a, b api.Alarm) int {
		switch {
		case quiet(a) == quiet(b):
			return 0
		case quiet(b):
			return -1
		}
		return 1
	})
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "alarm\tpriority\tstate\tmonitored\tnot monitored\tmeaning")
	for _, r := range rows {
		watching, unwatched := "yes", "-"
		if !r.Watching {
			watching = "no: " + r.Why
		}
		if r.Unwatched > 0 {
			unwatched = record.Seconds(r.Unwatched)
		}
		fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%s\t%s\n", r.Rule, r.Priority, r.State+marks(r), watching, unwatched, r.Label)
	}
	if err := w.Flush(); err != nil {
		return err
	}
	for _, r := range rows {
		printCause(out, r)
	}
	fmt.Fprintln(out, "\nAlarms are advice. They stop nothing and replace no protective device.")
	return nil
}

// printCause writes what raised the alarm, what is now, and what to do: by hand
// while it lasts, its reset once it is over.
func printCause(out io.Writer, r api.Alarm) {
	if r.Text == "" {
		return
	}
	fmt.Fprintf(out, "\n%s: %s\n", cmp.Or(r.Label, r.Rule), r.Text)
	switch {
	case r.Over:
		fmt.Fprintf(out, "  Over. Reset it: tickover alarms reset %s --who NAME\n", r.Rule)
	case r.Action != "":
		head := model.Warning
		if r.Priority == model.Critical.String() {
			head = model.Critical
		}
		fmt.Fprintf(out, "  %s: %s\n", model.ActionHead(head), r.Action)
	}
}

// alarmFlag says which alarm and who acts.
type alarmFlag struct {
	client.StateFolder
	Rule string `arg:"" name:"alarm" help:"Which alarm, from tickover alarms."`
	Who  string `help:"Your name, for the journal." required:""`
}

func (f *alarmFlag) do(ctx context.Context, s streams, verb model.AlarmVerb, form url.Values, did string) error {
	a, err := f.Open(false)
	if err != nil {
		return err
	}
	defer a.Close()
	form.Set("who", f.Who)
	if err := a.Post(ctx, "/api/v1/alarms/"+url.PathEscape(f.Rule)+"/"+verb.String(), form); err != nil {
		return err
	}
	fmt.Fprintf(s.out, "%s: %s\n", f.Rule, did)
	return nil
}

type alarmsAck struct {
	alarmFlag
	Why string `help:"What was seen or done."`
}

// Run acknowledges the alarm.
func (c *alarmsAck) Run(ctx context.Context, s streams) error {
	return c.do(ctx, s, model.Acknowledge, url.Values{"why": {c.Why}}, "acknowledged")
}

type alarmsReset struct {
	alarmFlag
	Why string `help:"What was found or done."`
}

// Run resets the alarm.
func (c *alarmsReset) Run(ctx context.Context, s streams) error {
	return c.do(ctx, s, model.Reset, url.Values{"why": {c.Why}}, "reset")
}

type alarmsShelve struct {
	alarmFlag
	Why string        `help:"Why it is shelved." required:""`
	For time.Duration `help:"For how long, at most 24h." default:"1h"`
}

// Run shelves the alarm.
func (c *alarmsShelve) Run(ctx context.Context, s streams) error {
	return c.do(ctx, s, model.Shelve, url.Values{"why": {c.Why}, "for": {c.For.String()}}, "shelved; it returns by itself in "+model.Lasting(c.For))
}

type alarmsOutOfService struct {
	alarmFlag
	Why string `help:"What is being repaired." required:""`
}

// Run takes the alarm out of service.
func (c *alarmsOutOfService) Run(ctx context.Context, s streams) error {
	return c.do(ctx, s, model.OutOfService, url.Values{"why": {c.Why}}, "out of service: no warning until it is returned to service")
}

type alarmsUnshelve struct {
	alarmFlag
	Why string `help:"What was found or done."`
}

// Run ends the shelving.
func (c *alarmsUnshelve) Run(ctx context.Context, s streams) error {
	return c.do(ctx, s, model.Unshelve, url.Values{"why": {c.Why}}, "unshelved")
}

type alarmsInService struct {
	alarmFlag
	Why string `help:"What was found or done."`
}

// Run returns the alarm to service.
func (c *alarmsInService) Run(ctx context.Context, s streams) error {
	return c.do(ctx, s, model.ReturnToService, url.Values{"why": {c.Why}}, "back in service")
}
