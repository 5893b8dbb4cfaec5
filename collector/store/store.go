// Package store keeps what was measured and what happened: scans by group,
// events, the table of boots and the setups. A ring of preallocated slots
// takes the newest rows and every event within seconds; every ten minutes all
// of it moves into one bbolt file as compressed blocks. FORMAT.md describes
// every byte.
//
// A Store may be used by any number of goroutines. The scans of a group must be
// given in order. Hand and HandEvents take things into memory and leave the card
// to the writer, Run; Append and AppendEvents wait for the card. Reads see what
// was taken when they began, written or not, and never wait for a disk write. No
// write takes the caller longer than a few seconds: a card that hangs keeps the
// operation, see job.
package store

import (
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"sync"
	"sync/atomic"
	"time"

	"tickover/model"
)

// Store is one open store.
type Store struct {
	opts Options
	log  *slog.Logger
	lock *os.File // the folder, locked
	data *data
	ring *ring

	// writing lets one goroutine at a time change the files; it is taken before
	// mu. Whoever only hands something over does not take it.
	writing        sync.Mutex
	home           *homeless     // nil when the folder can be used; guarded by writing
	mending        *repair       // of files that vanished; guarded by writing
	closed         bool          // guarded by writing
	thinningLogged sync.Once     // that samples are thinned out
	running        atomic.Bool   // Run is
	errands        chan struct{} // of one: there is something to write

	mu         sync.RWMutex // guards what follows; never held across a disk write
	boots      []model.Boot
	boot       uint32            // never changes once open
	moved      map[uint32]uint32 // by boot, the one that counts since its clock went back
	groups     map[string]*group
	schemas    map[uint32]*schema
	ids        map[string]uint32 // schema by its encoding
	events     []model.Event     // not yet sealed
	givenUp    int               // events that had no room since the data file took some
	keptSeq    uint64            // events up to this are in the ring or sealed
	cutSeq     uint64            // likewise, in what is to be sealed next
	sealDue    bool              // there are closed segments
	flushDue   bool              // rows or events are to go to the ring now
	late       *time.Timer       // flushes when no scan comes to do it
	waiting    bool              // late is set
	receipts   []receipt         // of events handed over
	tryAgain   model.Instant     // when sealing is tried again after it failed
	patience   time.Duration     // how long that was put off
	topSchema  uint32            // highest number of a schema in the data file
	mend       map[uint32]string // encodings of schemas that the data file has not got twice
	lastSeq    uint64            // of events
	last       model.Instant
	setups     []datedSetup // the newest readable sealed one and those not yet sealed
	setupLost  error        // what is wrong with a configuration newer than all of setups
	dirty      map[uint32]bool
	gone       map[string]uint64 // by group, the highest ordinal thinned out
	thinEvents eventThinning     // how far the old events are thinned out
	spans      []model.Span      // whose samples are never thinned out
	spansKept  int               // how many of spans are in the data file
	sealed     uint64            // highest slot whose content is in the data file
	live       uint64            // first slot that still matters while sealing fails
	busy       bool
	begun      map[uint32]bool // boots of which something was kept
	pending    model.Instant   // oldest row not in the ring; zero when all are
	recent     model.Instant   // of the scan before
	health     model.StoreHealth
	trouble    map[string]string // what fails now, by part
	opened     identity          // of folder and files
	seen       sight             // of them, by the inspector
	looked     bool              // seen holds something
	told       []string          // what loading found damaged and could do without
}

// group is the unsealed part of one group.
type group struct {
	name     string
	ordinal  uint64 // of its last sealed block
	last     model.Instant
	segments []*segment
}

// segment is a run of rows that will be one block.
type segment struct {
	*rows
	kept   int  // rows that are in the ring
	closed bool // no more rows come; it is sealed before what follows
}

type datedSetup struct {
	at     model.Instant
	text   []byte // JSON
	sealed bool
}

// Open opens the store in a folder and makes it when there is none. It
// returns ErrLocked, ErrNewer, for ReadOnly and Existing ErrNone, and for
// ReadOnly ErrDamaged. A
// damaged data file is set aside otherwise, a fresh one begun from what the
// ring holds, and an event says so. With KeepTrying only ErrLocked and ErrNewer
// are returned: another daemon keeps watch then, or a newer one should.
func Open(o Options) (*Store, error) {
	o = o.withDefaults()
	s := newStore(o)
	opening := begin(func() {}, s.openOrRelease)
	if o.KeepTrying && !o.ReadOnly && !opening.within(openLimit/2) {
		m := newStore(o)
		m.startHomeless(errSlow)
		m.home.opening, m.home.fresh = opening, s
		return m, nil
	}
	<-opening.ended
	err := opening.err
	switch {
	case err == nil:
		return s, nil
	case !o.KeepTrying, o.ReadOnly, errors.Is(err, ErrLocked), errors.Is(err, ErrNewer):
		return nil, err
	}
	m := newStore(o)
	m.startHomeless(err)
	return m, nil
}

// openOrRelease lets go of everything when opening fails.
func (s *Store) openOrRelease() error {
	err := s.open()
	if err != nil {
		err = errors.Join(err, s.release())
	}
	return err
}

func newStore(o Options) *Store {
	return &Store{opts: o, log: o.Log, errands: make(chan struct{}, 1), groups: map[string]*group{}, schemas: map[uint32]*schema{},
		ids: map[string]uint32{}, mend: map[uint32]string{}, dirty: map[uint32]bool{}, trouble: map[string]string{}, gone: map[string]uint64{}, begun: map[uint32]bool{}}
}

func (s *Store) open() error {
	path := filepath.Join(s.opts.Dir, dataName)
	if s.opts.ReadOnly || s.opts.Existing {
		if _, err := os.Stat(path); errors.Is(err, os.ErrNotExist) {
			return ErrNone
		}
	} else if err := os.MkdirAll(s.opts.Dir, 0o700); err != nil {
		return fmt.Errorf("make store folder: %w", err)
	}
	var err error
	if s.lock, err = lockDir(s.opts.Dir, s.opts.ReadOnly, s.opts.LockTimeout); err != nil {
		return err
	}
	s.opts.MaxBytes = s.opts.room()
	told, err := s.openOrReplace(path)
	if err != nil {
		return err
	}
	more, err := s.openRing()
	if err != nil {
		return err
	}
	if s.opts.ReadOnly {
		return nil
	}
	s.identify()
	return s.begin(append(told, more...))
}

// openOrReplace opens the data file; a damaged one is set aside.
func (s *Store) openOrReplace(path string) (told []string, err error) {
	if _, err := os.Stat(path); errors.Is(err, os.ErrNotExist) {
		if _, err := os.Stat(joinDir(s.opts.Dir, ringName)); err == nil {
			told = append(told, "the data file was not there and was made again: only what the ring held is left")
		}
		if err := createData(s.opts, path); err != nil {
			return nil, err
		}
	}
	err = s.openAndLoad(path)
	if err == nil {
		return append(told, append(s.data.told, s.told...)...), nil
	}
	if s.opts.ReadOnly || !errors.Is(err, ErrDamaged) {
		return nil, err
	}
	aside, renameErr := setAside(path)
	if renameErr != nil {
		return nil, errors.Join(err, renameErr)
	}
	told = []string{fmt.Sprintf("the data file was damaged and is now %s; a fresh one was begun from what the ring held (%v)", aside, err)}
	if err := createData(s.opts, path); err != nil {
		return nil, err
	}
	return told, s.openAndLoad(path)
}

func (s *Store) openAndLoad(path string) error {
	d, err := openData(s.opts, path)
	if err != nil {
		return err
	}
	if err := d.view(s.load); err != nil {
		return errors.Join(err, d.close())
	}
	s.data, d.wake = d, s.nudge
	if d.format == format || s.opts.ReadOnly {
		return nil
	}
	if err := s.upgrade(); err != nil {
		s.data = nil
		return errors.Join(fmt.Errorf("bring the data file up to format %d: %w", format, err), d.close())
	}
	return nil
}

func (s *Store) see(at model.Instant) {
	if s.last.Before(at) {
		s.last = at
	}
}

// begin registers this boot and says what opening found.
func (s *Store) begin(told []string) error {
	before := len(s.told) // those are in told
	if err := s.registerBoot(); err != nil {
		return err
	}
	for _, text := range append(told, s.told[before:]...) {
		s.log.Warn(text)
		at := s.last
		if at.Boot != s.boot {
			at = model.Instant{Boot: s.boot}
		}
		if err := s.AppendEvents([]model.Event{{At: at, Kind: model.StoreEvent, Text: text}}); err != nil {
			s.log.Warn("event not yet on disk", "error", err)
		}
	}
	return nil
}

// Close seals what is in memory and lets the files go. The Store must not be
// used afterwards, and every read must have ended.
func (s *Store) Close() error {
	var err error
	if !s.opts.ReadOnly {
		s.writing.Lock()
		defer s.writing.Unlock()
		s.closed = true
		s.mu.Lock()
		if s.late != nil {
			s.late.Stop()
		}
		s.mu.Unlock()
		err = s.flushRing()
		if sealErr := s.seal(); sealErr != nil {
			err = errors.Join(err, sealErr)
		} else {
			err = nil // all of it is in the data file, whatever the ring says
		}
	}
	return errors.Join(err, s.release())
}

func (s *Store) release() error {
	var errs []error
	if s.ring != nil {
		errs = append(errs, s.ring.close())
	}
	if s.data != nil {
		errs = append(errs, s.data.close())
	}
	if s.lock != nil {
		errs = append(errs, s.lock.Close())
	}
	return errors.Join(errs...)
}
