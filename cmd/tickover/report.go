package main

import (
	"context"
	"io"
	"net/url"
	"os"

	"tickover/cmd/tickover/client"
	"tickover/model"
)

// reportCommand writes one run's report.
type reportCommand struct {
	client.StateFolder
	ID     string `arg:"" name:"run" default:"last" help:"Which run, from tickover runs; the last when left out." optional:""`
	Format string `help:"html, json or text." enum:"html,json,text" default:"text"`
	Bundle bool   `help:"Write one zip file with report, readings, configuration, photos and checksums. Reading commands open it as --state."`
	Output string `help:"File to write; standard output when left out." placeholder:"FILE"`
}

// Run writes the report.
func (c *reportCommand) Run(ctx context.Context, s streams) error {
	a, err := c.Open(false)
	if err != nil {
		return err
	}
	defer a.Close()
	run := "/api/v1/runs/" + url.PathEscape(c.ID)
	if c.Bundle {
		return toFile(c.Output, s.out, func(w io.Writer) error { return a.Get(ctx, w, run+"/bundle", nil) })
	}
	path := run + "/report"
	return toFile(c.Output, s.out, func(w io.Writer) error {
		return a.Get(ctx, w, path, url.Values{"format": {c.Format}})
	})
}

// toFile writes to a file, or to out when no name is given. A file that could
// not be written whole is removed.
func toFile(name string, out io.Writer, write func(io.Writer) error) error {
	if name == "" {
		return write(out)
	}
	f, err := os.Create(name)
	if err != nil {
		return &model.Fault{Code: model.RuntimeFault, Err: err, Hint: "choose a folder you may write to"}
	}
	if err := write(f); err != nil {
		f.Close()
		os.Remove(name)
		return err
	}
	return f.Close()
}
