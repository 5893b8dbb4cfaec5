package main

import (
	"context"
	"errors"
	"io"
	"strings"
	"testing"

	"tickover/config"
	"tickover/model"
)

// A pressure of 3.2 bar was "319999.99999999994 Pa".
func TestPeekPrintsTheUnitsOfPeople(t *testing.T) {
	var out strings.Builder
	all := []peeked{
		peekedOf(model.GoodSample(model.OilPressure, 319999.99999999994), model.Pressure),
		peekedOf(model.GoodSample(model.SpeedPoint, 25.2), model.Speed),
		peekedOf(model.BadSample(model.CoolantTemperature, model.NoAnswer), model.Temperature),
	}
	if err := printPeeked(&out, all); err != nil {
		t.Fatal(err)
	}
	if want := "oil.pressure         3.20 bar\nspeed                1512 r/min\ncoolant.temperature  bad: no answer\n"; out.String() != want {
		t.Errorf("printed %q, want %q", out.String(), want)
	}
}

// Ctrl-C while the past day is made left "context canceled" and no advice.
func TestDemoInterruptedWhilePreparingSaysSo(t *testing.T) {
	cfg, err := config.Parse("demo.yaml", demoConfig)
	if err != nil {
		t.Fatal(err)
	}
	cfg.StateDir, cfg.Setup.Simulated = t.TempDir(), true
	ctx, stop := context.WithCancel(context.Background())
	stop()
	var f *model.Fault
	if err := pastDay(ctx, cfg, ordinaryDay(), io.Discard); !errors.As(err, &f) || f.Hint == "" || !strings.Contains(err.Error(), "prepared") {
		t.Errorf("it says %v", err)
	}
	if err := pastDay(context.Background(), cfg, ordinaryDay(), io.Discard); err != nil {
		t.Errorf("the second try: %v", err)
	}
}
