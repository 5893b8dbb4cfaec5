package daemon

import (
	"context"
	"log/slog"
	"time"

	systemd "github.com/coreos/go-systemd/v22/daemon"
)

// serviceManager is told how the daemon fares. Without one that asked for it
// nothing is said to anybody.
type serviceManager struct{ log *slog.Logger }

// tell sends states such as "READY=1", each on a line.
func (m serviceManager) tell(state string) {
	if _, err := systemd.SdNotify(false, state); err != nil {
		m.log.Warn("the service manager cannot be notified", "state", state, "err", err)
	}
}

// feedWatchdog tells the service manager that the daemon lives, as often as it
// asked for twice over, but only while alive says so. A daemon that hangs is
// then started anew by the manager. It ends with the context.
func (m serviceManager) feedWatchdog(ctx context.Context, alive func(context.Context) error) {
	interval, err := systemd.SdWatchdogEnabled(false)
	if err != nil {
		m.log.Warn("the watchdog is not served", "err", err)
		return
	}
	if interval > 0 {
		Pulse(ctx, interval/3, alive, m.tell, m.log)
	}
}

// Pulse asks every so often and tells when the answer is good. Trouble is
// logged when it begins and when it ends.
func Pulse(ctx context.Context, every time.Duration, alive func(context.Context) error, tell func(string), log *slog.Logger) {
	ticker := time.NewTicker(every)
	defer ticker.Stop()
	for well := true; ; {
		asking, cancel := context.WithTimeout(ctx, every)
		err := alive(asking)
		cancel()
		switch {
		case ctx.Err() != nil:
			return
		case err == nil:
			tell(systemd.SdNotifyWatchdog)
			if !well {
				log.Info("the daemon responds again")
			}
		case well:
			log.Error("the daemon hangs; the service manager will restart it", "err", err)
		}
		well = err == nil
		select {
		case <-ctx.Done():
			return
		case <-ticker.C:
		}
	}
}
