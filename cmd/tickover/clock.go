package main

import (
	"time"

	"golang.org/x/sys/unix"

	"tickover/model"
)

// bootOffset returns CLOCK_BOOTTIME: the time since boot, sleep included.
func bootOffset() time.Duration {
	var ts unix.Timespec
	if err := unix.ClockGettime(unix.CLOCK_BOOTTIME, &ts); err != nil {
		panic("CLOCK_BOOTTIME is not there: " + err.Error()) // every kernel since 2.6.39 has it
	}
	return time.Duration(ts.Nano())
}

// instants returns this boot's clock.
func instants(boot uint32) func() model.Instant {
	return func() model.Instant { return model.Instant{Boot: boot, Offset: bootOffset()} }
}

// estimate asks the kernel for the wall time and whether anything vouches
// for it.
func estimate() model.ClockEstimate {
	e := model.ClockEstimate{At: bootOffset(), Wall: time.Now().UnixNano(), Source: model.ClockUnsynchronised}
	var tx unix.Timex
	if state, err := unix.Adjtimex(&tx); err == nil && state != unix.TIME_ERROR && tx.Status&unix.STA_UNSYNC == 0 {
		e.Source = model.ClockSynchronised
	}
	return e
}
