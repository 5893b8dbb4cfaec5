package store

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"time"

	"golang.org/x/sys/unix"

	"tickover/model"
)

// homeless is a store whose folder can't be used now: it holds everything in
// memory, within the usual bounds, and tries the folder again.
type homeless struct {
	why     error
	retry   time.Time
	opening *job
	fresh   *Store // what opening made
}

// homeEvery is how often a folder that can't be used is tried again.
const homeEvery = 3 * time.Second

// startHomeless makes the store work from memory. The running boot has no place
// in the table, which can't be read, so its number is the present second: later
// than any that was counted or made so before.
func (s *Store) startHomeless(why error) {
	s.home = &homeless{why: why, retry: time.Now().Add(homeEvery)}
	s.data = &data{path: filepath.Join(s.opts.Dir, dataName), opts: s.opts, wake: s.nudge}
	s.ring = &ring{slots: uint64(s.opts.Slots), next: 1, wake: s.nudge}
	kernel, err := s.kernelBoot()
	if err != nil {
		kernel = "unknown"
	}
	s.boot = uint32(time.Now().Unix())
	s.boots, s.dirty[s.boot] = []model.Boot{{Number: s.boot, Kernel: kernel}}, true
	s.trouble["state folder"] = why.Error()
	s.log.Error("the state folder cannot be used; polling and alarms go on, readings are in memory only, trying again", "err", why)
}

// settleHome tries the folder again when it is time. It returns nil when there
// is a folder to write to. Callers hold writing.
func (s *Store) settleHome() error {
	h := s.home
	if h == nil {
		return nil
	}
	if h.opening == nil {
		if time.Now().Before(h.retry) {
			return h.why
		}
		h.fresh = newStore(s.opts)
		h.fresh.opts.boot = s.boot
		h.opening = begin(s.nudge, h.fresh.openOrRelease)
	}
	if !h.opening.within(slow) {
		return s.fail("state folder", errSlow)
	}
	err, fresh := h.opening.err, h.fresh
	h.opening, h.fresh, h.retry = nil, nil, time.Now().Add(homeEvery)
	if err != nil {
		h.why = err
		return s.fail("state folder", err)
	}
	s.adopt(fresh)
	s.identify()
	s.log.Info("the state folder can be used again; what was held in memory is written to it")
	return nil
}

// adopt takes over the files of a store that was just opened, and puts what this
// one holds in memory behind what is in them.
func (s *Store) adopt(fresh *Store) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.home = nil
	s.lock, s.ring = fresh.lock, fresh.ring
	s.ring.wake = s.nudge
	s.data.format, s.data.told = fresh.data.format, fresh.data.told
	s.data.open.Store(fresh.data.open.Load())
	s.opts.MaxBytes = fresh.opts.MaxBytes
	others := slices.DeleteFunc(slices.Clone(fresh.boots), func(b model.Boot) bool { return b.Number == s.boot })
	s.boots = append(others, s.boots...)
	for n := range fresh.dirty {
		s.dirty[n] = true
	}
	for n := range fresh.begun {
		s.begun[n] = true
	}
	for name, g := range s.groups {
		was := fresh.group(name)
		for _, seg := range was.segments {
			seg.closed = true
		}
		was.segments, was.last = append(was.segments, g.segments...), g.last
	}
	s.groups, s.schemas, s.ids, s.topSchema, s.mend, s.gone = fresh.groups, fresh.schemas, fresh.ids, fresh.topSchema, fresh.mend, fresh.gone
	shift := fresh.lastSeq
	for i := range s.events {
		s.events[i].Seq += shift
	}
	for i := range s.receipts {
		s.receipts[i].from += shift
		s.receipts[i].seq += shift
	}
	s.events = append(slices.Clone(fresh.events), s.events...)
	s.keptSeq, s.cutSeq, s.lastSeq = fresh.keptSeq, fresh.lastSeq, s.lastSeq+shift
	s.health.SyncedSeq += shift
	if len(s.setups) == 0 {
		s.setupLost = fresh.setupLost
	}
	s.setups = append(slices.Clone(fresh.setups), s.setups...)
	s.spans, s.spansKept = append(slices.Clone(fresh.spans), s.spans...), fresh.spansKept
	s.sealed, s.live = fresh.sealed, fresh.live
	s.sealDue, s.flushDue, s.tryAgain, s.patience = true, true, model.Instant{}, 0
	clear(s.trouble)
}

// kernelBoot returns the kernel's identity of the running boot.
func (s *Store) kernelBoot() (string, error) {
	if s.opts.KernelBoot != "" {
		return s.opts.KernelBoot, nil
	}
	text, err := os.ReadFile("/proc/sys/kernel/random/boot_id")
	if err != nil {
		return "", fmt.Errorf("read boot id: %w", err)
	}
	return string(text[:min(len(text), 36)]), nil
}

// uptime is the boot clock, by which a boot that is known already is told from
// one whose clock began again under the same identity; false when not known.
func (s *Store) uptime() (time.Duration, bool) {
	if s.opts.Uptime != nil {
		return s.opts.Uptime(), true
	}
	if s.opts.KernelBoot != "" {
		return 0, false
	}
	var ts unix.Timespec
	err := unix.ClockGettime(unix.CLOCK_BOOTTIME, &ts)
	return time.Duration(ts.Nano()), err == nil
}

// registerBoot finds the running boot in the table, or enters it: also when its
// clock is behind what was kept of it, since every reading would be refused.
func (s *Store) registerBoot() error {
	kernel, err := s.kernelBoot()
	if err != nil {
		return err
	}
	if given := s.opts.boot; given != 0 {
		for _, b := range s.boots {
			if b.Number >= given {
				return fmt.Errorf("the state folder has newer boots than this one, which started without it (restart tickover to use it)")
			}
		}
		s.boots, s.boot, s.dirty[given] = append(s.boots, model.Boot{Number: given, Kernel: kernel}), given, true
		return nil
	}
	now, known := s.uptime()
	for _, b := range s.boots {
		if b.Kernel == kernel {
			s.boot = b.Number
			if known && now < b.Last {
				s.tell("the computer's boot clock went back from %s to %s without a restart: it counts as another boot", b.Last.Round(time.Second), now.Round(time.Second))
				s.boot = 0
			}
		}
	}
	if s.boot == 0 {
		s.boot = s.newBoot(kernel)
		if err := s.seal(); err != nil {
			s.log.Warn("boot not yet in the data file", "error", err)
		}
	}
	return nil
}
