// Package host tells how the small computer itself fares: its temperature, its
// supply, its card. A fact that the machine cannot tell is left out, not
// guessed.
//
// A Machine may be used by one goroutine at a time.
package host

import (
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"golang.org/x/sys/unix"

	"tickover/model"
)

// Every is how often the computer is asked.
const Every = model.HostEvery

// Group is the name of the scans made here.
const Group = "host/10s"

// fact is one thing that a small file of the kernel's tells.
type fact struct {
	point model.Point
	file  string
	read  func(text string) (float64, error)
}

// Machine is what this computer can tell. Make one with Find.
type Machine struct{ facts []fact }

// Find looks for what the computer can tell. root is "/", or a test's folder;
// state is the folder of the store, whose card is looked at.
func Find(root, state string) *Machine {
	m := &Machine{}
	sys := filepath.Join(root, "sys")
	m.add(model.HostTemperature, model.Temperature, filepath.Join(sys, "class/thermal/thermal_zone0/temp"), thousandths)
	// The board's firmware: bit 0 undervoltage, 1 clock capped, 2 throttled,
	// 3 soft temperature limit, 16 undervoltage since boot (from memory).
	throttled := filepath.Join(sys, "devices/platform/soc/soc:firmware/get_throttled")
	if !m.add(model.HostUndervoltage, model.State, throttled, bits(1<<0)) {
		alarms, _ := filepath.Glob(filepath.Join(sys, "class/hwmon/hwmon*/in0_lcrit_alarm"))
		for _, file := range alarms {
			m.add(model.HostUndervoltage, model.State, file, number)
		}
	}
	m.add(model.HostUndervoltageSeen, model.State, throttled, bits(1<<16))
	m.add(model.HostThrottled, model.State, throttled, bits(1<<1|1<<2|1<<3))
	if disk, ok := diskOf(state); ok {
		block := filepath.Join(sys, "dev/block", disk)
		m.add(model.HostCardWritten, model.Count, filepath.Join(block, "stat"), written)
		if !m.add(model.HostCardWear, model.Ratio, filepath.Join(block, "device/life_time"), wear) {
			m.add(model.HostCardWear, model.Ratio, filepath.Join(block, "../device/life_time"), wear) // a partition
		}
	}
	return m
}

// add takes a fact whose file can be read now, the first of each name.
func (m *Machine) add(id model.PointID, q model.Quantity, file string, read func(string) (float64, error)) bool {
	for _, f := range m.facts {
		if f.point.ID == id {
			return true
		}
	}
	f := fact{model.Point{ID: id, Quantity: q, Every: Every}, file, read}
	if _, err := f.value(); err != nil {
		return false
	}
	m.facts = append(m.facts, f)
	return true
}

func (f fact) value() (float64, error) {
	text, err := os.ReadFile(f.file)
	if err != nil {
		return 0, err
	}
	return f.read(strings.TrimSpace(string(text)))
}

// Points lists what the computer can tell; empty when nothing.
func (m *Machine) Points() map[model.PointID]model.Point {
	all := map[model.PointID]model.Point{}
	for _, f := range m.facts {
		all[f.point.ID] = f.point
	}
	return all
}

// Scan asks for everything.
func (m *Machine) Scan(at model.Instant) *model.Scan {
	scan := &model.Scan{Group: Group, At: at}
	for _, f := range m.facts {
		sample := model.BadSample(f.point.ID, model.SensorFailed)
		if v, err := f.value(); err == nil {
			sample = model.GoodSample(f.point.ID, v)
		}
		scan.Samples = append(scan.Samples, sample)
	}
	scan.Measured = len(scan.Samples)
	return scan
}

// diskOf names the block device below a folder as major:minor.
func diskOf(folder string) (string, bool) {
	var st unix.Stat_t
	if unix.Stat(folder, &st) != nil || unix.Major(uint64(st.Dev)) == 0 {
		return "", false
	}
	return fmt.Sprintf("%d:%d", unix.Major(uint64(st.Dev)), unix.Minor(uint64(st.Dev))), true
}

func number(text string) (float64, error) { return strconv.ParseFloat(text, 64) }

func thousandths(text string) (float64, error) {
	v, err := number(text)
	return v / 1000, err
}

// bits is 1 when any of the bits is set in a hexadecimal number.
func bits(mask uint64) func(string) (float64, error) {
	return func(text string) (float64, error) {
		v, err := strconv.ParseUint(strings.TrimPrefix(text, "0x"), 16, 64)
		if v&mask != 0 {
			return 1, err
		}
		return 0, err
	}
}

// written reads the sectors written, the seventh column of a block device's
// statistics; one is 512 bytes whatever the device (kernel documentation,
// block/stat).
func written(text string) (float64, error) {
	columns := strings.Fields(text)
	if len(columns) < 7 {
		return 0, fmt.Errorf("%q is no line of statistics", text)
	}
	v, err := number(columns[6])
	return 512 * v, err
}

// wear reads what an eMMC estimates of its own life: 1 means up to a tenth is
// used, 2 up to two tenths, for two kinds of memory; 11 means beyond (JEDEC
// eMMC 5.0, from memory). The worse one counts.
func wear(text string) (float64, error) {
	worst := 0.0
	for _, part := range strings.Fields(text) {
		v, err := strconv.ParseUint(strings.TrimPrefix(part, "0x"), 16, 8)
		if err != nil {
			return 0, err
		}
		worst = max(worst, float64(v)/10)
	}
	if worst == 0 {
		return 0, fmt.Errorf("the card says nothing of its wear: %q", text)
	}
	return worst, nil
}
