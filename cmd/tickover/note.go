package main

import (
	"context"
	"fmt"
	"net/url"

	"tickover/cmd/tickover/client"
)

// noteCommand puts a note on the timeline.
type noteCommand struct {
	client.StateFolder
	Text string `arg:"" help:"What to note."`
	Who  string `help:"Who notes it."`
}

// Run keeps the note.
func (c *noteCommand) Run(ctx context.Context, s streams) error {
	a, err := c.Open(true)
	if err != nil {
		return err
	}
	defer a.Close()
	if err := a.Post(ctx, "/api/v1/notes", url.Values{"who": {c.Who}, "text": {c.Text}}); err != nil {
		return err
	}
	fmt.Fprintln(s.out, "saved")
	return nil
}
