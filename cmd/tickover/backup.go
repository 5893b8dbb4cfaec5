package main

import (
	"context"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"path/filepath"
	"strings"

	"tickover/cmd/tickover/client"
	"tickover/collector/store"
	"tickover/model"
)

// backupCommand copies a store into a new folder, beside a running daemon.
type backupCommand struct {
	client.StateFolder
	Folder string `arg:"" help:"Empty or new folder for the copy; every reading command takes it as --state."`
	RunID  string `name:"run" help:"Only what belongs to this finished run; \"last\" is the newest." placeholder:"RUN"`
}

// Run makes the copy.
func (c *backupCommand) Run(ctx context.Context, s streams) error {
	a, err := c.Open(true)
	if err != nil {
		return err
	}
	defer a.Close()
	shown := bar(s.err, "backup")
	defer shown.finish()
	r, w := io.Pipe()
	go func() {
		body := strings.NewReader(url.Values{"run": {c.RunID}}.Encode())
		w.CloseWithError(a.Do(ctx, http.MethodPost, "/api/v1/backup", body, w))
	}()
	copied, err := store.Restore(ctx, io.TeeReader(r, shown), c.Folder)
	if err != nil {
		if _, said := r.Read(make([]byte, 1)); said != nil && said != io.EOF && said != io.ErrClosedPipe {
			err = said // why the stream ended
		}
		r.CloseWithError(err)
		return err
	}
	return tellCopied(s.out, c.Folder, copied)
}

// salvageCommand makes a store of what is readable in a damaged one.
type salvageCommand struct {
	File   string `arg:"" help:"Damaged data file, such as tickover.db.damaged-1." type:"existingfile"`
	Folder string `arg:"" help:"Empty or new folder for what is readable."`
}

// Run salvages.
func (c *salvageCommand) Run(ctx context.Context, s streams) error {
	shown := bar(s.err, "salvage")
	copied, err := store.Salvage(ctx, c.File, c.Folder, func(done, total int64) { shown.setTotal(total).set(done) })
	shown.finish()
	if err != nil {
		return err
	}
	return tellCopied(s.out, c.Folder, copied)
}

func tellCopied(w io.Writer, folder string, c store.Copied) error {
	fmt.Fprintf(w, "%s: %d blocks, %d chunks of minutes, %d events, %d photos\n", filepath.Clean(folder), c.Blocks, c.Minutes, c.Events, c.Photos)
	for _, what := range c.Missing {
		fmt.Fprintln(w, "missing:", what)
	}
	if n := len(c.Missing); n > 0 {
		return &model.Fault{Code: model.StoreFault, Err: fmt.Errorf("%d entries could not be read", n), Hint: "the copy holds everything else"}
	}
	return nil
}
