package main

import (
	"context"
	"fmt"
	"net/url"
	"time"

	"tickover/cmd/tickover/api"
	"tickover/cmd/tickover/client"
	"tickover/cmd/tickover/record"
)

// checkInCommand is the sign of somebody who works alone.
type checkInCommand struct {
	client.StateFolder
	Who   string        `help:"Who checks in."`
	Every time.Duration `help:"Time between two check-ins. Default: as before, or as configured." placeholder:"15m"`
	End   bool          `help:"End the lone-worker timer."`
}

// Run gives the sign.
func (c *checkInCommand) Run(ctx context.Context, s streams) error {
	a, err := c.Open(false)
	if err != nil {
		return err
	}
	defer a.Close()
	form := url.Values{"who": {c.Who}}
	if c.Every != 0 {
		form.Set("every", c.Every.String())
	}
	if c.End {
		form.Set("end", "yes")
	}
	if err := a.Post(ctx, "/api/v1/check-in", form); err != nil {
		return err
	}
	if c.End {
		fmt.Fprintln(s.out, "the check-in timer has ended")
		return nil
	}
	var now api.CheckIn
	if err := a.List(ctx, "/api/v1/check-in", nil, &now); err != nil {
		return err
	}
	fmt.Fprintf(s.out, "the next check-in is due within %s\n", record.Seconds(now.Every))
	if len(now.Told) == 0 {
		fmt.Fprintln(s.out, "NO ONE WILL BE NOTIFIED of a missed check-in: add recipients under notify: check in: to")
	}
	return nil
}
