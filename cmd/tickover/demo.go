package main

import (
	"context"
	_ "embed"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"time"

	"tickover/cmd/tickover/daemon"
	"tickover/cmd/tickover/record"
	"tickover/collector/slave"
	"tickover/collector/store"
	"tickover/config"
	"tickover/model"
	"tickover/model/plant"
	"tickover/model/transducer"
)

//go:embed demo.yaml
var demoConfig []byte

// demoSeed makes every demonstration the same.
const demoSeed = 50

// demoCommand runs everything on a simulated skid.
type demoCommand struct {
	State                  string        `help:"Folder for the store." default:"demo-state" placeholder:"DIR"`
	Listen                 string        `help:"Address for page and metrics." default:"127.0.0.1:8485" placeholder:"ADDR"`
	For                    time.Duration `help:"Stop after this time; 0 runs until it is stopped."`
	ReadingWithoutPassword bool          `help:"Allow other computers to read without a password."`
	Outlets                string        `help:"File with remote write, mqtt, notify and hook sections, to try them." placeholder:"FILE"`
	Walk                   bool          `help:"Show a one-heater walk instead of the past day."`
	Mistake                string        `help:"Wire the simulated meter wrong: ct-l1-reversed, cts-all-reversed, cts-l1-l2-exchanged, cts-exchanged-one-reversed, cts-shifted, cts-shifted-back, cts-shifted-reversed, voltages-l1-l2-exchanged, neutral-l2-exchanged, voltage-l3-open or neutral-open. Shows a walk." placeholder:"NAME"`
}

// Run carries the past day, then goes live.
func (c *demoCommand) Run(ctx context.Context, s streams) error {
	cfg, err := config.Parse("demo.yaml", demoConfig)
	if err != nil {
		return err
	}
	cfg.StateDir, cfg.Listen, cfg.Setup.Simulated = c.State, c.Listen, true
	cfg.Unauthenticated = c.ReadingWithoutPassword
	switch err := daemon.CheckAccess(cfg, slog.New(slog.DiscardHandler)); {
	case err != nil && config.IsAddress(cfg.Listen):
		return &model.Fault{Code: model.UsageFault, Err: err, Hint: "add --reading-without-password: everything shown is made up"}
	case err != nil:
		return err
	}
	if cfg.Outlets, err = loadOutlets(c.Outlets, s.err); err != nil {
		return err
	}
	day, err := c.day()
	if err != nil {
		return err
	}
	fmt.Fprintln(s.out, "SIMULATED: a made-up 50 kVA standby set of a made-up fish hatchery. Nothing here is real.")
	if err := pastDay(ctx, cfg, day, s.err); err != nil {
		return err
	}
	rig, err := newRig(cfg, day.wrong)
	if err != nil {
		return err
	}
	defer rig.close()
	d, err := daemon.New(cfg, store.Options{}, slog.New(slog.NewTextHandler(s.err, &slog.HandlerOptions{Level: slog.LevelWarn})))
	if err != nil {
		return err
	}
	// A made-up set has a made-up time of day; only this computer is told it.
	if err := d.Store.Estimate(d.Store.Boot(), model.ClockEstimate{At: record.BootOffset(), Wall: time.Now().UnixNano(), Source: model.ClockSimulated}); err != nil {
		return errors.Join(fmt.Errorf("keep the time: %w", err), d.Close())
	}
	tour(s.out, c.State, d.Address())
	return d.Run(ctx, c.For)
}

// pastScript is what the past day was: its script, and what was wrong.
type pastScript struct {
	script func() ([]plant.Action, time.Duration)
	wrong  func(*plant.Plant)
}

// ordinaryDay is the day of tests with everything wired right.
func ordinaryDay() pastScript { return pastScript{plant.HatcheryDay, func(*plant.Plant) {}} }

// day is the past day asked for.
func (c *demoCommand) day() (pastScript, error) {
	day := ordinaryDay()
	if c.Walk || c.Mistake != "" {
		day.script = plant.WalkDay
	}
	if c.Mistake == "" {
		return day, nil
	}
	m, ok := plant.MistakeNamed(c.Mistake)
	if !ok {
		return day, &model.Fault{Code: model.UsageFault, Err: fmt.Errorf("there is no wiring mistake %q", c.Mistake), Hint: "tickover demo --help lists them"}
	}
	day.wrong = m.Make
	return day, nil
}

// tour says what to look at.
func tour(w io.Writer, state, address string) {
	fmt.Fprintf(w, `
Live now. Try, in another terminal:
  page            %[1]s/
  metrics         %[1]s/metrics
  runs            tickover runs --state %[2]s
  report          tickover report --state %[2]s 1
  report to print tickover report --state %[2]s 1 --format html --output report.html
  readings        tickover export --state %[2]s --run 1 --output run1.csv
  alarms          tickover alarms --state %[2]s
(without an installed tickover: go run ./cmd/tickover in its place)
Stop with Ctrl-C.
`, address, state)
}

// rig is the simulated skid: a plant behind Modbus slaves on pseudo-terminals.
type rig struct {
	stop    context.CancelFunc
	work    sync.WaitGroup
	masters []*os.File
}

// refresh is how often the simulated instruments take a new value.
const refresh = 20 * time.Millisecond

// newRig opens a pseudo-terminal for every line of the configuration, points
// the lines at them, and starts the slaves and the loop of the live day.
func newRig(cfg *config.Config, wrong func(*plant.Plant)) (*rig, error) {
	p := plant.New(demoSeed, cfg.Setup.Rating)
	wrong(p)
	script, length := plant.LiveLoop()
	return rigAround(cfg, p, plant.NewPlayer(p, script, length, true))
}

// player lets simulated time go by.
type player interface {
	Advance(time.Duration) []plant.Action
}

// rigAround puts a plant behind the lines and lets a player move it.
func rigAround(cfg *config.Config, p *plant.Plant, player player) (*rig, error) {
	ctx, stop := context.WithCancel(context.Background())
	r := &rig{stop: stop}
	bank := &slave.Registers{}
	fillChains(bank, cfg.Setup.Devices)
	instruments(bank, &cfg.Setup, p)
	for i := range cfg.Setup.Lines {
		l := &cfg.Setup.Lines[i]
		master, path, err := slave.OpenPTY()
		if err != nil {
			r.close()
			return nil, &model.Fault{Code: model.LineFault, Err: fmt.Errorf("open a pseudo-terminal: %w", err), Hint: "the demonstration needs /dev/ptmx"}
		}
		l.Kind, l.Address = model.SerialLine, path
		r.masters = append(r.masters, master)
		pace := slave.Pace{Baud: l.BaudOrDefault(), Bits: l.Bits(), Turnaround: 5 * time.Millisecond}
		r.work.Go(func() { slave.ServeRTU(ctx, master, bank, pace, slave.Faults{}) })
	}
	r.work.Go(func() {
		tick := time.NewTicker(refresh)
		defer tick.Stop()
		for last := time.Now(); ; {
			select {
			case <-ctx.Done():
				return
			case now := <-tick.C:
				player.Advance(now.Sub(last))
				last = now
				instruments(bank, &cfg.Setup, p)
			}
		}
	})
	return r, nil
}

func (r *rig) close() {
	r.stop()
	for _, m := range r.masters {
		m.Close()
	}
	r.work.Wait()
}

// fillChains lays out the marker and the headers of devices that are found by
// a chain of models (a common model first), and a scale for each register
// that has one.
func fillChains(bank *slave.Registers, devices []model.Device) {
	for _, d := range devices {
		if c := d.Chain; c != nil {
			put := func(at uint16, words ...uint16) { bank.Set(d.Unit, model.HoldingRegisters, at, words...) }
			base := c.Bases[0]
			put(base, make([]uint16, c.Start-base+2+c.Length+2)...)
			put(base, model.ChainMarker[0], model.ChainMarker[1], commonModel, c.Start-base-4)
			put(c.Start, c.Model, c.Length)
			put(c.Start+2+c.Length, model.ChainEnd)
		}
		for _, p := range d.Points {
			if e := p.Register.Exponent; e != nil {
				bank.Set(d.Unit, p.Register.Table, *e, uint16(scaleOf(p.Quantity)))
			}
		}
	}
}

// commonModel is the number of the model that opens every SunSpec chain.
const commonModel = 1

// scaleOf is the power of ten the simulated meter counts a quantity in.
func scaleOf(q model.Quantity) int16 {
	switch q {
	case model.Voltage:
		return -1
	case model.Current, model.Frequency:
		return -2
	case model.ActivePower, model.ReactivePower, model.ApparentPower:
		return 1
	case model.PowerFactor:
		return -2
	}
	return 0
}

// instruments writes what every instrument shows into its registers. One that
// shows nothing keeps its last value when it is a sensor's, as real ones do.
func instruments(bank *slave.Registers, setup *model.Setup, p *plant.Plant) {
	for _, d := range setup.Devices {
		for _, point := range d.Points {
			v, ok := signalled(setup.Sensed, point.ID, p)
			if !ok {
				continue
			}
			exponent := int16(0)
			if point.Register.Exponent != nil {
				exponent = scaleOf(point.Quantity)
			}
			bank.Set(d.Unit, point.Register.Table, point.Register.Address, point.Register.Encode(v, exponent)...)
		}
	}
}

// signalled is what stands in a point's register: the plant's value, or what a
// sensor makes of it.
func signalled(sensed []model.Point, id model.PointID, p *plant.Plant) (float64, bool) {
	i := slices.IndexFunc(sensed, func(s model.Point) bool { return s.Sensor.Raw == id })
	if i < 0 {
		return p.Value(id)
	}
	v, ok := p.Value(sensed[i].ID)
	if !ok {
		return 0, false
	}
	return transducer.Signal(sensed[i].Sensor, v, sensed[i].Sensor.Cold)
}

// pastBoot names the simulated boot that the past day belongs to.
const pastBoot = "simulated past day"

// pastDay carries a recorded day of tests through the same steps as live
// readings, unless the store has it already. It begins so that it ended a
// day before now.
func pastDay(ctx context.Context, cfg *config.Config, day pastScript, progress io.Writer) error {
	if _, err := os.Stat(filepath.Join(cfg.StateDir, pastDone)); err == nil {
		fmt.Fprintln(progress, "the past day is in the store already")
		return nil
	}
	past := *cfg
	past.Listen, past.Outlets = "", model.Outlets{}
	// A simulated past needs no protection from power cuts: sync rarely.
	d, err := daemon.New(&past, store.Options{KernelBoot: pastBoot, TailBusy: time.Minute, TailSteady: time.Minute}, slog.New(slog.DiscardHandler))
	if err != nil {
		return err
	}
	script, length := day.script()
	p := plant.New(demoSeed, cfg.Setup.Rating)
	day.wrong(p)
	player := plant.NewPlayer(p, script, length, false)
	if err := d.Store.Estimate(d.Store.Boot(), model.ClockEstimate{Wall: time.Now().Add(-24*time.Hour - length).UnixNano(), Source: model.ClockSimulated}); err != nil {
		return errors.Join(err, d.Close())
	}
	done := bar(progress, "the past day").setTotal(int64(length / time.Second))
	defer done.finish()
	bank := &slave.Registers{}
	fillChains(bank, cfg.Setup.Devices)
	for at := time.Duration(0); at < length && ctx.Err() == nil; at += pastStep {
		for _, a := range player.Advance(pastStep) {
			d.Carrier.Record(model.Event{At: model.Instant{Boot: d.Store.Boot(), Offset: at + pastStart}, Kind: model.NoteEvent, Who: "simulated operator", Text: a.Text})
		}
		feed(d, cfg, bank, at, func() { instruments(bank, &cfg.Setup, p) })
		done.set(int64(at / time.Second))
	}
	if err := d.Close(); err != nil {
		return err
	}
	if ctx.Err() != nil {
		return &model.Fault{Code: model.RuntimeFault, Err: errors.New("stopped while the past day was prepared: it is incomplete"),
			Hint: "start the demonstration again with the same --state; it prepares the day again, which takes some seconds"}
	}
	return os.WriteFile(filepath.Join(cfg.StateDir, pastDone), nil, 0o600)
}

const (
	pastDone  = "past-day"
	pastStep  = 100 * time.Millisecond
	pastStart = time.Minute // offset of the past day on its boot's clock
)

// feed carries the scans that are due; show brings the registers up to date.
func feed(d *daemon.Daemon, cfg *config.Config, bank *slave.Registers, at time.Duration, show func()) {
	now := func() model.Instant { return model.Instant{Boot: d.Store.Boot(), Offset: at + pastStart} }
	read := func(q model.ReadRequest) (model.Answer, error) {
		words, exception := bank.Read(q.Unit, q.Table, q.Address, q.Count)
		if exception != 0 {
			return model.Answer{}, &model.ReadError{Cause: model.DeviceException, Exception: exception, Request: q.String()}
		}
		return model.Answer{Words: words}, nil
	}
	for _, l := range cfg.Setup.Lines {
		for _, g := range d.Carrier.Groups(l.Name) {
			if at%g.Every < pastStep {
				show()
				show = func() {} // once for all that is due now
				scan, _, _ := g.Scan(now(), now, read)
				d.Carrier.Feed(scan, g.Device.Name)
			}
		}
	}
}
