package main

import (
	"io"
	"os"

	"github.com/cheggaaa/pb/v3"
	"golang.org/x/term"
)

// bar shows how far long work has come, on a terminal only.
func bar(w io.Writer, what string) *pb.ProgressBar {
	f, ok := w.(*os.File)
	b := pb.New(0).SetTemplateString(what + ` {{bar . }} {{percent . }} {{rtime . "%s left"}}`).SetWriter(w)
	if !ok || !term.IsTerminal(int(f.Fd())) {
		b.SetWriter(io.Discard)
	}
	return b.Start()
}
