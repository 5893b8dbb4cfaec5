package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"sync"
	"text/tabwriter"
	"time"

	"tickover/collector/slave"
)

// faults are what is done to every fourth read, on each of its tries.
var faults = []struct {
	name string
	slave.Fault
}{
	{"1500 ms too late", slave.Fault{Kind: slave.Late, Delay: patience + 1500*time.Millisecond}}, // takes longest
	{"exception 02", slave.Fault{Kind: slave.ExceptionFault}},
	{"exception 02 after 60 ms", slave.Fault{Kind: slave.ExceptionFault, Delay: 60 * time.Millisecond}},
	{"0x00 before", slave.Fault{Kind: slave.GhostBefore}},
	{"0x00 before, after 60 ms", slave.Fault{Kind: slave.GhostBefore, Delay: 60 * time.Millisecond}},
	{"0x00 after", slave.Fault{Kind: slave.GhostAfter}},
	{"0x00 after 1.2 ms", slave.Fault{Kind: slave.GhostAfterPause}},
	{"150 ms too late", slave.Fault{Kind: slave.Late, Delay: patience + 150*time.Millisecond}},
	{"450 ms too late", slave.Fault{Kind: slave.Late, Delay: patience + 450*time.Millisecond}},
	{"lost", slave.Fault{Kind: slave.Lost}},
	{"truncated", slave.Fault{Kind: slave.Truncated}},
	{"bit error", slave.Fault{Kind: slave.BitError}},
	{"byte lost", slave.Fault{Kind: slave.ByteLost}},
	{"wrong unit", slave.Fault{Kind: slave.WrongUnit}},
	{"foreign frame, then answer", slave.Fault{Kind: slave.ForeignBefore}},
	{"8 ms pause inside", slave.Fault{Kind: slave.PauseInside}},
	{"10 registers for 2", slave.Fault{Kind: slave.TooMany}},
	{"function 04 for 03", slave.Fault{Kind: slave.WrongFunction}},
	{"own request echoed", slave.Fault{Kind: slave.Echo}},
	{"40 bytes of noise, then answer", slave.Fault{Kind: slave.Noise}},
	{"40 bytes of noise, no answer", slave.Fault{Kind: slave.NoiseOnly}},
	{"answer twice", slave.Fault{Kind: slave.Twice}},
}

// outcome counts reads: faulted ones and clean ones.
type outcome struct{ faultedRight, faultedError, cleanRight, wrong, collateral int }

func (o outcome) String() string {
	return fmt.Sprintf("%d/%d  %d  %d  %d", o.faultedRight, o.faultedError, o.cleanRight, o.wrong, o.collateral)
}

// faultTable prints what each client makes of each fault. A wrong value or an
// error on a clean read of ours is an error.
func faultTable(reads int) error {
	results := make([][]outcome, len(faults))
	errs := make(chan error, len(faults)*len(clients))
	places := make(chan bool, 6) // so many at once: pacing needs the processor
	var work sync.WaitGroup
	for f := range faults {
		results[f] = make([]outcome, len(clients))
		for c := range clients {
			work.Go(func() {
				places <- true
				defer func() { <-places }()
				var err error
				if results[f][c], err = faultRun(c, faults[f].Fault, reads); err != nil {
					errs <- fmt.Errorf("%s, %s: %w", clients[c].name, faults[f].name, err)
				}
			})
		}
	}
	work.Wait()
	close(errs)
	if err := <-errs; err != nil {
		return err
	}
	return printFaults(reads, results)
}

func printFaults(reads int, results [][]outcome) error {
	fmt.Printf("\n%d reads at 19200 Bd, every fourth faulted: faulted right/error, clean right, WRONG VALUES, errors on clean reads\n", reads)
	w := tabwriter.NewWriter(os.Stdout, 0, 0, 3, ' ', 0)
	fmt.Fprint(w, "fault\t")
	for _, c := range clients {
		fmt.Fprintf(w, "%s\t", c.name)
	}
	fmt.Fprintln(w)
	sums := make([]outcome, len(clients))
	for f := range faults {
		fmt.Fprintf(w, "%s\t", faults[f].name)
		for c, o := range results[f] {
			fmt.Fprintf(w, "%s\t", o)
			sums[c].wrong += o.wrong
			sums[c].collateral += o.collateral
		}
		fmt.Fprintln(w)
	}
	fmt.Fprint(w, "wrong values / errors on clean reads\t")
	for _, o := range sums {
		fmt.Fprintf(w, "%d / %d\t", o.wrong, o.collateral)
	}
	fmt.Fprintln(w)
	if err := w.Flush(); err != nil {
		return err
	}
	if sums[0].wrong+sums[0].collateral > 0 {
		return errors.New("the line returned wrong values or failed clean reads")
	}
	return nil
}

// faultRun reads, faults every fourth address, and looks at the values.
func faultRun(c int, fault slave.Fault, reads int) (o outcome, err error) {
	master, path, err := slave.OpenPTY()
	if err != nil {
		return o, err
	}
	faulted := func(address uint16) bool { return address%40 == 10 }
	next := func(r slave.Request) slave.Fault {
		if r.Count == 2 && faulted(r.Address) {
			return fault
		}
		return slave.Fault{}
	}
	done := make(chan error, 1)
	go func() {
		pace := slave.Pace{Baud: 19200, Turnaround: 5 * time.Millisecond}
		done <- slave.ServeRTU(context.Background(), master, numbers{}, pace, slave.Faults{Next: next})
	}()
	bus, err := clients[c].open(path, 19200, patience)
	if err != nil {
		return o, err
	}
	for i := range reads {
		address := uint16(i * 10)
		words, err := bus.read(address, 2)
		o.add(faulted(address), err == nil, right(words, address, 2))
	}
	bus.close()
	master.Close()
	return o, <-done
}

func (o *outcome) add(faulted, answered, right bool) {
	switch {
	case answered && !right:
		o.wrong++
	case answered && faulted:
		o.faultedRight++
	case answered:
		o.cleanRight++
	case faulted:
		o.faultedError++
	default:
		o.collateral++
	}
}
