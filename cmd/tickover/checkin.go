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
	Who   string        `help:"Who gives the sign."`
	Every time.Duration `help:"Time between two signs; as before, or as configured, when left out." placeholder:"15m"`
	End   bool          `help:"End the timer: nobody is alone any more."`
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
	fmt.Fprintf(s.out, "the next sign is due within %s\n", record.Seconds(now.Every))
	if len(now.Told) == 0 {
		fmt.Fprintln(s.out, "NOBODY IS TOLD of a missed sign: the configuration names no one under notify, check in, to")
	}
	return nil
}
