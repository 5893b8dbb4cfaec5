package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"time"

	"tickover/cmd/tickover/daemon"
	"tickover/collector/store"
	"tickover/config"
	"tickover/model"
)

// runCommand is the daemon.
type runCommand struct {
	Config string        `help:"Configuration file." default:"/etc/tickover/tickover.yaml" placeholder:"FILE"`
	State  string        `help:"Folder for the store; overrides the configuration." placeholder:"DIR"`
	Listen string        `help:"Address for page and metrics; overrides the configuration." placeholder:"ADDR"`
	For    time.Duration `help:"Stop after this time; 0 runs until it is stopped."`
}

// Run runs the daemon until the context ends.
func (c *runCommand) Run(ctx context.Context, s streams) error {
	cfg, err := loadConfig(c.Config, s.err)
	if err != nil {
		return err
	}
	if c.State != "" {
		cfg.StateDir = c.State
	}
	if c.Listen != "" {
		cfg.Listen = c.Listen
	}
	log := slog.New(slog.NewTextHandler(s.err, nil))
	if err := daemon.CheckAccess(cfg, log); err != nil {
		return err
	}
	d, err := daemon.New(cfg, store.Options{KeepTrying: true}, log)
	if err != nil {
		return err
	}
	log.Info("tickover runs", "page", d.Address(), "state", cfg.StateDir)
	if len(cfg.Setup.Devices) == 0 {
		log.Warn(daemon.NoDevices, "hint", daemon.NoDevicesHint)
	}
	if err := checkRenamed(cfg.Setup); err != nil { // a refusal would leave the set unmonitored
		log.Warn("an own alarm has no effect on the standard one", "err", err, "hint", model.HintOf(err))
	}
	return d.Run(ctx, c.For)
}

// loadConfig reads the configuration. Every mistake is printed; the error
// that comes back only counts them.
func loadConfig(path string, stderr io.Writer) (*config.Config, error) {
	cfg, err := config.Load(path)
	if err != nil {
		return nil, configFault(path, err, stderr)
	}
	return cfg, nil
}

func configFault(path string, err error, stderr io.Writer) error {
	var mistakes config.Mistakes
	switch {
	case errors.As(err, &mistakes):
		fmt.Fprintln(stderr, mistakes.Error())
		if len(mistakes) == 1 {
			return &model.Fault{Code: model.ConfigFault, Err: fmt.Errorf("%s: 1 mistake", path), Hint: "correct it and run tickover check --config " + path}
		}
		return &model.Fault{Code: model.ConfigFault, Err: fmt.Errorf("%s: %d mistakes", path, len(mistakes)), Hint: "correct them and run tickover check --config " + path}
	case errors.Is(err, os.ErrNotExist):
		return &model.Fault{Code: model.ConfigFault, Err: err, Hint: "name the file with --config"}
	}
	return &model.Fault{Code: model.ConfigFault, Err: err, Hint: ""}
}

// loadOutlets reads a file of outlets alone; none when path is empty.
func loadOutlets(path string, stderr io.Writer) (model.Outlets, error) {
	if path == "" {
		return model.Outlets{}, nil
	}
	text, err := os.ReadFile(path)
	if err != nil {
		return model.Outlets{}, configFault(path, err, stderr)
	}
	o, err := config.ParseOutlets(path, text)
	if err != nil {
		return o, configFault(path, err, stderr)
	}
	return o, nil
}
