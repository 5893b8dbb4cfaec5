// Command rivals measures the line beside two libraries' own RTU clients, on
// the same slaves in the same run: how much of the wire's time each uses, and
// what each makes of faults. It prints tables and fails when the line itself
// returns a wrong value or an error on a read that was not faulted.
package main

import (
	"encoding/json"
	"flag"
	"fmt"
	"os"
	"runtime"

	"tickover/collector/slave"
)

func main() {
	if setting := os.Getenv("RIVALS_PACE"); setting != "" {
		exitOn(beSlave(setting))
		return
	}
	reads := flag.Int("reads", 100, "reads for each fault and client")
	seconds := flag.Float64("seconds", 1, "seconds for each rate, length and client; 0 leaves the wire out")
	flag.Parse()
	runtime.GOMAXPROCS(runtime.NumCPU() + 2) // as the daemon does, for all clients
	if *seconds > 0 {
		exitOn(wireTable(*seconds))
	}
	if *reads > 0 {
		exitOn(faultTable(*reads))
	}
}

func exitOn(err error) {
	if err != nil {
		fmt.Fprintln(os.Stderr, "rivals:", err)
		os.Exit(1)
	}
}

// beSlave is the other end of the wire, in a process of its own.
func beSlave(setting string) error {
	var pace slave.Pace
	if err := json.Unmarshal([]byte(setting), &pace); err != nil {
		return err
	}
	master, path, err := slave.OpenPTY()
	if err != nil {
		return err
	}
	fmt.Println(path)
	e, err := slave.ServeExact(master, numbers{}, pace)
	if err != nil {
		return err
	}
	return json.NewEncoder(os.Stdout).Encode(e)
}
