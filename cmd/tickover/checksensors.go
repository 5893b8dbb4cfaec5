package main

import (
	"fmt"
	"io"
	"strings"
	"text/tabwriter"
	"time"

	"tickover/model"
	"tickover/model/transducer"
)

// printSensors puts five signals through every sensor, so that a wrong range
// or a table of another sender shows before the engine turns.
func printSensors(out io.Writer, sensed []model.Point) error {
	for _, p := range sensed {
		fmt.Fprintf(out, "\n%s: %s\n", p.ID, p.Sensor.Words)
		w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
		var signals, values []string
		for _, t := range transducer.Trials(p.Sensor) {
			signals = append(signals, showSignal(p.Sensor.Signal, t.Signal))
			value := p.Quantity.ShowWithUnit(t.Value)
			if t.Cause != model.NoCause {
				value = t.Cause.String()
			}
			values = append(values, value)
		}
		fmt.Fprintf(w, "  signal\t%s\n  means\t%s\n", strings.Join(signals, "\t"), strings.Join(values, "\t"))
		if err := w.Flush(); err != nil {
			return err
		}
		for _, remark := range transducer.Remarks(p.Sensor, time.Now()) {
			fmt.Fprintf(out, "  note: %s\n", remark)
		}
	}
	return nil
}

// showSignal writes a signal in the unit of its trade: mA and mV when small.
func showSignal(q model.Quantity, v float64) string {
	switch {
	case q == model.Current:
		return fmt.Sprintf("%.3g mA", 1000*v)
	case q == model.Voltage && v > -0.2 && v < 0.2 && v != 0:
		return fmt.Sprintf("%.4g mV", 1000*v)
	}
	return q.ShowWithUnit(v)
}
