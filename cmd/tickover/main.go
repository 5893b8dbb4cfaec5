// Command tickover watches a generator set under test. It only reads the bus;
// what it warns of is advice.
package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"os/signal"
	"reflect"
	"runtime"
	"runtime/debug"
	"syscall"
	"time"

	"github.com/alecthomas/kong"

	"tickover/collector/store"
	"tickover/config"
	"tickover/model"
)

func main() {
	if os.Getenv("GOMAXPROCS") == "" {
		// Two to spare: a goroutine that computes must not keep the one that
		// answers the wire waiting for a turn.
		runtime.GOMAXPROCS(runtime.NumCPU() + 2)
	}
	boundMemory()
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM, syscall.SIGHUP)
	defer stop()
	os.Exit(int(Main(ctx, os.Args[1:], os.Stdout, os.Stderr)))
}

// memoryLimit is what the program's own memory should stay below, in bytes. What
// the kernel maps of the program and of the data file comes on top; 96 MiB
// together are left to the logger on a board of 512 MiB.
const memoryLimit = 64 << 20

// boundMemory collects garbage early enough for memoryLimit. GOMEMLIMIT and GOGC
// in the environment go first.
func boundMemory() {
	if os.Getenv("GOMEMLIMIT") == "" {
		debug.SetMemoryLimit(memoryLimit)
	}
	if os.Getenv("GOGC") == "" {
		debug.SetGCPercent(50)
	}
}

// commands is the command line.
type commands struct {
	Demo    demoCommand    `cmd:"" help:"Show a simulated set under test: a past day, then live."`
	Run     runCommand     `cmd:"" help:"Run the daemon."`
	Init    initCommand    `cmd:"" help:"Write a configuration from a few answers and a survey."`
	Check   checkCommand   `cmd:"" help:"Check a configuration and print its load on the bus."`
	Survey  surveyCommand  `cmd:"" help:"Search a line for units that reply. It only reads."`
	Peek    peekCommand    `cmd:"" help:"Read every configured point, or raw registers, once."`
	Lines   linesCommand   `cmd:"" help:"Show the state of each line and unit."`
	Runs    runsCommand    `cmd:"" help:"List the runs of the set."`
	Report  reportCommand  `cmd:"" help:"Write the report of one run."`
	Compare compareCommand `cmd:"" help:"Compare two runs, largest difference first."`
	Export  exportCommand  `cmd:"" help:"Write the readings as CSV or OpenMetrics text."`
	Alarms  alarmsCommand  `cmd:"" help:"List the alarms, or acknowledge one."`
	Outlets outletsCommand `cmd:"" help:"List the targets of readings and alarms with their state."`
	CheckIn checkInCommand `cmd:"" name:"check-in" help:"Check in when you work alone. The first check-in starts the timer."`
	Measure measureCommand `cmd:"" help:"Record and list hand measurements and the machine card."`
	Wiring  wiringCommand  `cmd:"" help:"Check the wiring of the instruments, or go through a one-heater walk."`
	Note    noteCommand    `cmd:"" help:"Put a note on the timeline."`
	Verify  verifyCommand  `cmd:"" help:"Check the store: every block, slot and index."`
	Backup  backupCommand  `cmd:"" help:"Copy the store, or one run, into a new folder; also while the daemon runs."`
	Salvage salvageCommand `cmd:"" help:"Recover what is readable in a damaged data file into a new store."`
	Version versionCommand `cmd:"" help:"Print the version."`
}

// Main runs one command and returns its exit code.
func Main(ctx context.Context, args []string, stdout, stderr io.Writer) model.FaultCode {
	var c commands
	parser := kong.Must(&c,
		kong.Name("tickover"),
		kong.Description("Data logger for generator sets under test. It only reads; its alarms are advice and replace no protective device."),
		kong.Writers(stdout, stderr),
		kong.UsageOnError(),
		kong.TypeMapper(reflect.TypeFor[time.Duration](), kong.MapperFunc(timeFlag)),
		kong.BindTo(stderr, (*io.Writer)(nil)), // of warnings
		kong.Exit(func(code int) { panic(exit(code)) }),
	)
	code, done := model.NoFault, false
	func() {
		defer catchExit(&code, &done)
		k, err := parser.Parse(args)
		if err != nil {
			fmt.Fprintf(stderr, "tickover: %v\nhint: %s\n", err, helpFor(err))
			code, done = model.UsageFault, true
			return
		}
		k.BindTo(ctx, (*context.Context)(nil))
		code, done = explain(k.Run(streams{stdout, stderr}), stderr), true
	}()
	return code
}

// helpFor says which help a wrong command line wants.
func helpFor(err error) string {
	if wrong, ok := errors.AsType[*kong.ParseError](err); ok {
		if node := wrong.Context.Selected(); node != nil {
			return node.FullPath() + " --help lists its arguments"
		}
	}
	return "tickover --help lists the commands"
}

// timeFlag reads a time as the configuration writes it, "30 min", or run
// together, "1h30m".
func timeFlag(c *kong.DecodeContext, target reflect.Value) error {
	var text string
	if err := c.Scan.PopValueInto("time", &text); err != nil {
		return err
	}
	d, err := time.ParseDuration(text)
	if err != nil {
		seconds, err := model.ParseValue(text, model.Duration)
		if err != nil {
			return fmt.Errorf("%q is not a duration; use for example 30min, 2h or 90s", text)
		}
		d = time.Duration(math.Round(seconds * float64(time.Second)))
	}
	target.SetInt(int64(d))
	return nil
}

// streams are where a command writes: results to out, everything else to err.
type streams struct{ out, err io.Writer }

type exit int

func catchExit(code *model.FaultCode, done *bool) {
	if *done {
		return
	}
	r := recover()
	if e, ok := r.(exit); ok {
		*code = model.FaultCode(e)
		return
	}
	if r != nil {
		panic(r)
	}
}

// explain prints an error with its hint and returns the exit code.
func explain(err error, stderr io.Writer) model.FaultCode {
	if err == nil {
		return model.NoFault
	}
	code, hint := classify(err)
	fmt.Fprintf(stderr, "tickover: %v\n", err)
	if hint != "" {
		fmt.Fprintf(stderr, "hint: %s\n", hint)
	}
	return code
}

func classify(err error) (code model.FaultCode, hint string) {
	var (
		f        *model.Fault
		mistakes config.Mistakes
		read     *model.ReadError
	)
	switch {
	case errors.As(err, &f):
		return cmp.Or(f.Code, model.RuntimeFault), f.Hint
	case errors.As(err, &mistakes):
		return model.ConfigFault, ""
	case errors.Is(err, store.ErrLocked), errors.Is(err, store.ErrNewer), errors.Is(err, store.ErrNone), errors.Is(err, store.ErrDamaged):
		return model.StoreFault, ""
	case errors.As(err, &read):
		if read.Cause == model.LineClosed {
			return model.LineFault, read.Hint
		}
		return model.RuntimeFault, read.Hint
	}
	return model.RuntimeFault, ""
}
