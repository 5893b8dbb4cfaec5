package record

import (
	"time"

	"golang.org/x/sys/unix"

	"tickover/model"
)

// BootOffset returns CLOCK_BOOTTIME: the time since boot, sleep included.
func BootOffset() time.Duration {
	var ts unix.Timespec
	if err := unix.ClockGettime(unix.CLOCK_BOOTTIME, &ts); err != nil {
		panic("CLOCK_BOOTTIME is not there: " + err.Error()) // every kernel since 2.6.39 has it
	}
	return time.Duration(ts.Nano())
}

// Instants returns this boot's clock.
func Instants(boot uint32) func() model.Instant {
	return func() model.Instant { return model.Instant{Boot: boot, Offset: BootOffset()} }
}
