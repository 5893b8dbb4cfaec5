package store

import (
	"errors"
	"io"
	"log/slog"
	"os"
	"time"

	"golang.org/x/sys/unix"

	"tickover/model"
)

// Errors of Open.
var (
	// ErrLocked is returned when another Store, here or in another process,
	// holds the folder.
	ErrLocked = errors.New("store is open in another process (stop the daemon, or ask it instead)")
	// ErrNewer is returned when the files were written by a later version of
	// this program. They are left as they are.
	ErrNewer = errors.New("store has a newer format than this program knows (use the newer tickover)")
	// ErrDamaged is returned by a read-only Open of a file that cannot be
	// used, and wrapped by reads that meet a damaged part.
	ErrDamaged = errors.New("store is damaged (run verify for a list)")
	// ErrNone is returned for a folder without a store by an Open that is
	// read-only or of an existing one.
	ErrNone = errors.New("no store in this folder (check --state)")
)

// Errors of Append.
var (
	// errOrder is returned when a scan is not later than the one before it in
	// its group. The scan is not kept.
	errOrder = errors.New("scan is not later than the one before it")
	// errBoot is returned for an instant whose boot is not in the table.
	errBoot = errors.New("boot is not in the store's table")
	// errReadOnly is returned by every write to a store opened to read.
	errReadOnly = errors.New("store was opened for reading only")
)

// File is what the ring needs of a file. Sync must reach the device.
type File interface {
	io.ReaderAt
	io.WriterAt
	Sync() error
	Size() (int64, error)
	Close() error
}

// Opener opens a file of the ring as os.OpenFile does.
type Opener func(name string, flag int, perm os.FileMode) (File, error)

// Options of a store. Only Dir is needed.
type Options struct {
	Dir string // folder of the files; made with mode 0700 when it is not there
	// Points say the resolution of each point's register. A point that isn't
	// here is stored all the same, in somewhat more bytes.
	Points     map[model.PointID]model.Point
	KernelBoot string       // boot id; empty means the running kernel's
	Log        *slog.Logger // nil discards
	ReadOnly   bool         // nothing is written, the lock is shared with other readers
	Existing   bool         // no store is made where there is none: Open returns ErrNone
	// KeepTrying has Open return a store that works from memory when the folder
	// can't be used, and tries the folder again while Run runs.
	KeepTrying bool
	// Uptime replaces the boot clock, for tests; nil means the real one, or none
	// with KernelBoot.
	Uptime func() time.Duration
	boot   uint32 // number of the running boot, when it has one already
	// LockTimeout is how long Open waits for another holder to let go; 0
	// means 2 s, negative not at all.
	LockTimeout time.Duration
	TailBusy    time.Duration // most samples at risk while busy; 0 means 1 s
	TailSteady  time.Duration // most samples at risk otherwise; 0 means 5 s
	Slots       int           // slots of a ring made anew, 4 KiB each; 0 means 1024
	// Memory bounds the samples held in memory while the disk takes none; 0
	// means 2,000,000. Beyond it the oldest are given up and counted as lost.
	Memory int
	// Events bounds the events in memory while the data file takes none; beyond
	// it the oldest are given up, critical alarms and what people did last. 0
	// means 5000.
	Events int
	// MaxBytes is how much of the data file may be in use before the oldest
	// samples are thinned out to their minutes; 0 means half of the file
	// system. It is never more than three quarters of what the file may grow
	// to (3 GiB, or 768 MiB on 32 bits).
	MaxBytes int64
	// KeepSamples is how much later logging must have gone on before samples
	// are thinned out to their minutes; 0 means for ever. Time when nothing
	// was logged does not count.
	KeepSamples time.Duration
	// KeepEvents is how much later logging must have gone on before the changes of
	// alarms below critical and of devices are thinned out to the first and last
	// of a day and engine state; 0 means 90 days.
	KeepEvents time.Duration
	// OpenRing replaces the opening of the ring's file, for tests of faults;
	// nil means the real one.
	OpenRing Opener
	// OpenData replaces the opening of the bbolt file likewise.
	OpenData func(name string, flag int, perm os.FileMode) (*os.File, error)
}

func (o Options) withDefaults() Options {
	o.LockTimeout = orElse(o.LockTimeout, 2*time.Second)
	o.TailBusy = orElse(o.TailBusy, time.Second)
	o.TailSteady = orElse(o.TailSteady, 5*time.Second)
	o.Slots = orElse(o.Slots, 1024)
	o.Events = orElse(o.Events, eventsHeld)
	o.KeepEvents = orElse(o.KeepEvents, keepEvents)
	o.Memory = orElse(o.Memory, 2_000_000)
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if o.OpenRing == nil {
		o.OpenRing = openFile
	}
	if o.OpenData == nil {
		o.OpenData = os.OpenFile
	}
	return o
}

// room is how much of the data file may be in use.
func (o Options) room() int64 {
	most := int64(maxFile()) / 4 * 3
	if o.MaxBytes > 0 {
		return min(o.MaxBytes, most)
	}
	var fs unix.Statfs_t
	if unix.Statfs(o.Dir, &fs) != nil {
		return most
	}
	return min(int64(fs.Blocks)*int64(fs.Bsize)/2, most)
}

func orElse[T comparable](v, fallback T) T {
	var zero T
	if v == zero {
		return fallback
	}
	return v
}

// diskFile syncs data only: the ring's size never changes, so there is
// nothing else worth a second write.
type diskFile struct{ *os.File }

func (f diskFile) Sync() error { return unix.Fdatasync(int(f.Fd())) }

func (f diskFile) Size() (int64, error) {
	st, err := f.Stat()
	if err != nil {
		return 0, err
	}
	return st.Size(), nil
}

func openFile(name string, flag int, perm os.FileMode) (File, error) {
	f, err := os.OpenFile(name, flag, perm)
	if err != nil {
		return nil, err
	}
	return diskFile{f}, nil
}

func syncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}
