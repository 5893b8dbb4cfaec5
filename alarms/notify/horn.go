package notify

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os/exec"
	"strings"
	"sync"
	"syscall"
	"time"

	"tickover/model"
)

const (
	defaultHornLimit = 10 * time.Second
	hornRetry        = 30 * time.Second
)

// Horn runs the user's command for a buzzer or a lamp: with the argument "on"
// when something begins to await a person, with "off" when nothing does. It is
// advisory: never wire it into a stop circuit. Make one with NewHorn.
type Horn struct {
	command []string
	least   model.Priority
	limit   time.Duration
	log     *slog.Logger
	woken   chan struct{}
	running sync.Mutex // one command at a time

	mu     sync.Mutex
	causes map[string]bool // what asks for sound
	health model.OutletHealth
}

// NewHorn makes a horn; nil when no command is given.
func NewHorn(h model.Hook, log *slog.Logger) *Horn {
	if len(h.Command) == 0 {
		return nil
	}
	if h.Timeout == 0 {
		h.Timeout = defaultHornLimit
	}
	return &Horn{command: h.Command, least: h.Least, limit: h.Timeout, log: log,
		woken:  make(chan struct{}, 1),
		causes: map[string]bool{}, health: model.OutletHealth{Name: "hook", Kind: "command"}}
}

func (h *Horn) alarm(on bool) { h.ask("alarm", on) }

// ask switches the sound for a cause on or off. It never waits. The same request again
// has no effect: a command that fails must not run over and over.
func (h *Horn) ask(cause string, on bool) {
	h.mu.Lock()
	same := h.causes[cause] == on
	h.causes[cause] = on
	h.mu.Unlock()
	if same {
		return
	}
	select {
	case h.woken <- struct{}{}:
	default:
	}
}

func (h *Horn) wanted() bool {
	h.mu.Lock()
	defer h.mu.Unlock()
	for _, on := range h.causes {
		if on {
			return true
		}
	}
	return false
}

// Run sounds and silences until the context ends, then silences. A command
// that fails is run again after a while as long as it is needed.
func (h *Horn) Run(ctx context.Context) {
	sounding := false
	for {
		retry := time.Hour
		if want := h.wanted(); want != sounding {
			err := h.call(context.WithoutCancel(ctx), want)
			h.report(err)
			if err == nil {
				sounding = want
			} else {
				retry = hornRetry
			}
		}
		timer := time.NewTimer(retry)
		select {
		case <-ctx.Done():
			timer.Stop()
			if sounding {
				h.report(h.call(context.WithoutCancel(ctx), false))
			}
			return
		case <-h.woken:
		case <-timer.C:
		}
		timer.Stop()
	}
}

// call runs the command once. It is ended, with all that it started, when its
// time is up.
func (h *Horn) call(ctx context.Context, on bool) error {
	h.running.Lock()
	defer h.running.Unlock()
	ctx, cancel := context.WithTimeout(ctx, h.limit)
	defer cancel()
	word := map[bool]string{true: "on", false: "off"}[on]
	c := exec.CommandContext(ctx, h.command[0],
		append(append([]string(nil), h.command[1:]...), word)...)
	c.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	c.Cancel = func() error { return syscall.Kill(-c.Process.Pid, syscall.SIGKILL) }
	c.WaitDelay = time.Second
	said := &output{tooMuch: cancel}
	c.Stdout, c.Stderr = said, said
	err := c.Run()
	switch {
	case said.length > mostOutput:
		return &model.Fault{Err: fmt.Errorf("the command %s %s writes too much output: %s",
			h.command[0], word, said),
			Hint: "let it switch and end at once, and write one line at most"}
	case err == nil:
		return nil
	case ctx.Err() != nil:
		return &model.Fault{Err: fmt.Errorf("the command %s %s did not end within %s", h.command[0],
			word, h.limit),
			Hint: "let it switch and end at once; use a separate program for a continuous sound"}
	case errors.Is(err, exec.ErrNotFound), errors.Is(err, syscall.ENOENT),
		errors.Is(err, syscall.EACCES):
		return &model.Fault{Err: fmt.Errorf("run the command: %w", err),
			Hint: "check the path, and that the daemon's user may run it"}
	}
	return fmt.Errorf("the command %s %s: %w: %s", h.command[0], word, err, said)
}

// What is kept of a command's output, and how much it may write before it is
// ended, in bytes.
const (
	keptOutput = 200
	mostOutput = 1 << 20
)

// output keeps the begin of what a command writes and ends it when that is too
// much.
type output struct {
	begin   []byte
	length  int
	tooMuch func()
}

// Write implements io.Writer. It never fails, so that a command that writes
// much and returns is not ended by it.
func (o *output) Write(p []byte) (int, error) {
	o.begin = append(o.begin, p[:min(len(p), keptOutput-len(o.begin))]...)
	if o.length += len(p); o.length > mostOutput {
		o.tooMuch()
	}
	return len(p), nil
}

// String returns the beginning of the output as text.
func (o *output) String() string {
	return strings.TrimSpace(strings.ToValidUTF8(string(o.begin), "?"))
}

func (h *Horn) report(err error) {
	h.mu.Lock()
	before := h.health.Trouble
	note(&h.health, err)
	if err == nil {
		h.health.Sent++
	}
	h.mu.Unlock()
	logChange(h.log, before, err)
}

// try sounds for a second, then leaves the horn as it should be.
func (h *Horn) try(ctx context.Context) error {
	if err := h.call(ctx, true); err != nil {
		return err
	}
	sleep(ctx, time.Second)
	return h.call(ctx, h.wanted())
}

// Health returns the state of the command.
func (h *Horn) Health() model.OutletHealth {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.health
}
