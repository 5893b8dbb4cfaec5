package main

import (
	"bufio"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"slices"
	"strings"
	"text/tabwriter"
	"time"

	"tickover/collector/slave"
	"tickover/model"
)

// otherEnd starts a slave's process.
func otherEnd(pace slave.Pace) (path string, wait func() (slave.Exactness, error), err error) {
	setting, err := json.Marshal(pace)
	if err != nil {
		return "", nil, err
	}
	self, err := os.Executable()
	if err != nil {
		return "", nil, err
	}
	cmd := exec.Command(self)
	cmd.Env, cmd.Stderr = append(os.Environ(), "RIVALS_PACE="+string(setting)), os.Stderr
	out, err := cmd.StdoutPipe()
	if err != nil {
		return "", nil, err
	}
	if err := cmd.Start(); err != nil {
		return "", nil, err
	}
	lines := bufio.NewReader(out)
	path, err = lines.ReadString('\n')
	return strings.TrimSpace(path), func() (e slave.Exactness, err error) {
		err = json.NewDecoder(lines).Decode(&e)
		_ = cmd.Wait() // what it said counts
		return e, err
	}, err
}

// wireTable prints, for each rate and length, the share of the wire's time
// that each client uses: of the read in the middle, and of all.
func wireTable(seconds float64) error {
	w := tabwriter.NewWriter(os.Stdout, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Println("Share of the wire's time, % (median read / all reads; ! questions before t3.5 was over), turnaround 5 ms")
	fmt.Fprint(w, "baud\tregisters\t")
	for _, c := range clients {
		fmt.Fprintf(w, "%s\t", c.name)
	}
	fmt.Fprintln(w)
	for _, baud := range []int{9600, 19200, 38400, 115200} {
		for _, registers := range []uint16{2, 20, 60, 125} {
			fmt.Fprintf(w, "%d\t%d\t", baud, registers)
			for i := range clients {
				cell, err := wireCell(i, baud, registers, seconds)
				if err != nil {
					return fmt.Errorf("%s at %d Bd: %w", clients[i].name, baud, err)
				}
				fmt.Fprintf(w, "%s\t", cell)
			}
			fmt.Fprintln(w)
		}
	}
	return w.Flush()
}

func wireCell(i, baud int, registers uint16, seconds float64) (string, error) {
	pace := slave.Pace{Baud: baud, Turnaround: 5 * time.Millisecond}
	path, wait, err := otherEnd(pace)
	if err != nil {
		return "", err
	}
	c, err := clients[i].open(path, baud, wirePatience)
	if err != nil {
		return "", err
	}
	ideal := pace.IdealTime(model.HoldingRegisters, int(registers)).Seconds()
	var took []time.Duration
	failed := 0
	began := time.Now()
	for n := uint16(0); n < 5 || time.Since(began).Seconds() < seconds; n++ {
		at := time.Now()
		words, err := c.read(n%100, registers)
		if err != nil || !right(words, n%100, registers) {
			failed++
			continue
		}
		took = append(took, time.Since(at))
	}
	all := time.Since(began).Seconds()
	c.close()
	e, err := wait()
	if err != nil || len(took) == 0 {
		return fmt.Sprintf("%d failed", failed), nil
	}
	slices.Sort(took)
	cell := fmt.Sprintf("%.1f / %.1f", 100*ideal/took[len(took)/2].Seconds(), 100*ideal*float64(len(took))/all)
	if failed > 0 {
		cell += fmt.Sprintf(" (%d failed)", failed)
	}
	if e.Early > 0 {
		cell += fmt.Sprintf(" !%d", e.Early)
	}
	return cell, nil
}
