package main

import (
	"fmt"
	"io"
	"os"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"golang.org/x/term"
)

// progress shows how far long work has come. Its methods may be called from
// several goroutines; finish is called once.
type progress struct {
	w           io.Writer // nil shows nothing
	what        string
	begun       time.Time
	total, done atomic.Int64
	end         chan struct{}
	work        sync.WaitGroup
}

// drawEvery is how often the line is written anew.
const drawEvery = 200 * time.Millisecond

// bar shows how far long work has come, on a terminal only.
func bar(w io.Writer, what string) *progress {
	p := &progress{what: what, begun: time.Now(), end: make(chan struct{})}
	if f, ok := w.(*os.File); ok && term.IsTerminal(int(f.Fd())) {
		p.w = w
		p.work.Go(p.draw)
	}
	return p
}

func (p *progress) draw() {
	tick := time.NewTicker(drawEvery)
	defer tick.Stop()
	for {
		select {
		case <-p.end:
			fmt.Fprintf(p.w, "\r\x1b[K%s\n", p.line(time.Since(p.begun)))
			return
		case <-tick.C:
			fmt.Fprintf(p.w, "\r\x1b[K%s", p.line(time.Since(p.begun)))
		}
	}
}

// line is what is shown after some time: a bar, the share done and the time
// left, or how much is done when nothing says of how much.
func (p *progress) line(gone time.Duration) string {
	done, total := p.done.Load(), p.total.Load()
	if total <= 0 {
		return fmt.Sprintf("%s %d", p.what, done)
	}
	const width = 40
	share := min(float64(done)/float64(total), 1)
	full := int(share * width)
	text := fmt.Sprintf("%s [%s%s] %.0f %%", p.what, strings.Repeat("=", full), strings.Repeat(" ", width-full), 100*share)
	if share > 0 && share < 1 {
		left := time.Duration(float64(gone) * (1 - share) / share)
		text += fmt.Sprintf(" %s left", left.Round(time.Second))
	}
	return text
}

func (p *progress) setTotal(n int64) *progress { p.total.Store(n); return p }
func (p *progress) addTotal(n int64)           { p.total.Add(n) }
func (p *progress) set(n int64)                { p.done.Store(n) }
func (p *progress) add(n int64)                { p.done.Add(n) }

// finish writes the last state and ends the line.
func (p *progress) finish() {
	close(p.end)
	p.work.Wait()
}

// Write counts bytes, so that a progress can be one end of a tee.
func (p *progress) Write(b []byte) (int, error) {
	p.add(int64(len(b)))
	return len(b), nil
}
