// Command storepeers keeps the same soak days in Tickover's store, in
// Prometheus' TSDB and in SQLite, and prints side by side what each takes on
// the card, writes in a day, holds in memory, and how fast it gives it back. It
// fails when Tickover's misses what is promised for it.
//
// Each store works in a process of its own, so that memory and bytes written
// are its own. It runs with one goroutine at work at a time.
package main

import (
	"encoding/json"
	"flag"
	"fmt"
	"log"
	"os"
	"os/exec"
	"path/filepath"
	"strings"

	"tickover/testdata/soak"
)

const (
	daySeconds = 86400
	daySamples = daySeconds * 32
)

// peer is one store.
type peer interface {
	// keep logs so many days into an empty folder.
	keep(dir string, days int) (kept, error)
	// open opens what was kept for reading: all of it, or of one point.
	open(dir string) (reader, error)
}

// reader reads what was kept and returns the number of samples.
type reader interface {
	read(all bool) (int, error)
	close() error
}

// kept is what logging took.
type kept struct {
	Payload float64 // bytes of a sample's values and instants; 0 when that can't be told apart
	File    float64 // bytes of a sample in the files after thirty days, scaled
	Written float64 // megabytes a day
	Rate    float64 // million samples a second
	Log     float64 // MiB resident at most, all of the process
	Scan    float64 // likewise while one point is read
}

var peers = map[string]peer{"tickover": ours{}, "prometheus": prometheus{}, "sqlite": sqlite{}}

// What is promised for Tickover's store.
const (
	mostPayload = 0.47
	mostFile    = 0.56
	mostWritten = 100
)

func main() {
	days := flag.Int("days", 30, "days to log; with less than 30 the file is scaled up")
	pairs := flag.Int("pairs", 31, "how often the reads are measured in turn")
	work := flag.String("work", "", "what a process of its own has to do")
	dir := flag.String("dir", "", "where")
	flag.Parse()
	if *work != "" {
		if err := child(*work, *dir, *days, *pairs); err != nil {
			log.Fatalf("%s: %v", *work, err)
		}
		return
	}
	if err := table(*days, *pairs); err != nil {
		log.Fatal(err)
	}
}

func child(work, dir string, days, pairs int) error {
	name, what, _ := strings.Cut(work, " ")
	switch what {
	case "keep":
		k, err := peers[name].keep(dir, days)
		if err != nil {
			return err
		}
		return json.NewEncoder(os.Stdout).Encode(k)
	case "scan":
		r, err := peers[name].open(dir)
		if err != nil {
			return err
		}
		if _, err := r.read(false); err != nil {
			return err
		}
		return json.NewEncoder(os.Stdout).Encode(kept{Scan: resident()})
	}
	return race(dir, pairs)
}

// table prints everything.
func table(days, pairs int) error {
	dir, err := os.MkdirTemp("", "storepeers")
	if err != nil {
		return err
	}
	defer os.RemoveAll(dir)
	fmt.Printf("%d days of 32 points each second, floor %.3f B/sample; SQLite keeps an eighth of a day, in transactions of a minute\n", days, soak.Floor(daySeconds))
	fmt.Printf("%-12s %10s %12s %10s %10s %10s %10s\n", "store", "B/sample", "B/sample-30d", "MB/day", "append M/s", "MiB-log", "MiB-scan")
	all := map[string]kept{}
	for _, name := range []string{"tickover", "prometheus", "sqlite"} {
		var k, scan kept
		if err := again(name+" keep", filepath.Join(dir, name), days, pairs, &k); err != nil {
			return err
		}
		if err := again(name+" scan", filepath.Join(dir, name), days, pairs, &scan); err != nil {
			return err
		}
		all[name] = k
		payload := "-"
		if k.Payload > 0 {
			payload = fmt.Sprintf("%.3f", k.Payload)
		}
		fmt.Printf("%-12s %10s %12.3f %10.1f %10.2f %10.1f %10.1f\n", name, payload, k.File, k.Written, k.Rate, k.Log, scan.Scan)
	}
	fmt.Println("B/sample-30d: all files but Tickover's ring of 4 MiB; MB/day: bytes given to write calls; MiB: the most that a whole process held, reading one point in scan")
	if err := again("all race", dir, days, pairs, nil); err != nil {
		return err
	}
	return missed(all["tickover"])
}

// missed is an error when ours is not what is promised.
func missed(k kept) error {
	if k.Payload > mostPayload || k.File > mostFile || k.Written > mostWritten {
		return fmt.Errorf("tickover misses %.2f B/sample, %.2f B/sample in the file or %d MB/day", mostPayload, mostFile, mostWritten)
	}
	return nil
}

// again starts this program as a process for one work and reads its figures.
func again(work, dir string, days, pairs int, into any) error {
	cmd := exec.Command(os.Args[0], "-work", work, "-dir", dir, "-days", fmt.Sprint(days), "-pairs", fmt.Sprint(pairs))
	cmd.Stderr = os.Stderr
	if into == nil {
		cmd.Stdout = os.Stdout
		return cmd.Run()
	}
	out, err := cmd.Output()
	if err != nil {
		return fmt.Errorf("%s: %w", work, err)
	}
	return json.Unmarshal(out, into)
}
