package main

import (
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"tickover/cmd/tickover/daemon"
	"tickover/collector/store"
	"tickover/config"
	"tickover/model"
)

// card is the disk under the ring. While it is armed it takes a copy of the
// state folder at every moment that a cut of power could leave behind.
type card struct {
	dir    string
	images map[string]string // folder by moment; nil while not armed
	seen   func(moment string)
	fail   func(error)
}

// The moments of one write to the ring.
const (
	cutBefore  = "before the write"
	cutTorn    = "partly written"
	cutWritten = "written, not synced"
	cutSynced  = "kept"
)

// tornBytes is how much of a slot is there when it is partly written: its head
// and not all of the little that these slots hold.
const tornBytes = 100

func (c *card) open(name string, flag int, perm os.FileMode) (store.File, error) {
	f, err := os.OpenFile(name, flag, perm)
	return &cardFile{f, c}, err
}

func (c *card) cut(moment string) {
	if c.images == nil || c.images[moment] != "" {
		return
	}
	to, err := os.MkdirTemp(filepath.Dir(c.dir), "cut")
	if err == nil {
		err = os.CopyFS(to, os.DirFS(c.dir))
	}
	if err != nil {
		c.fail(err)
	}
	c.images[moment] = to
	c.seen(moment)
}

type cardFile struct {
	*os.File
	card *card
}

func (f *cardFile) WriteAt(p []byte, off int64) (int, error) {
	f.card.cut(cutBefore)
	if f.card.images != nil {
		if _, err := f.File.WriteAt(p[:tornBytes], off); err != nil {
			return 0, err
		}
		f.card.cut(cutTorn)
	}
	n, err := f.File.WriteAt(p, off)
	f.card.cut(cutWritten)
	return n, err
}

func (f *cardFile) Sync() error {
	err := f.File.Sync()
	f.card.cut(cutSynced)
	return err
}

func (f *cardFile) Size() (int64, error) {
	at, err := f.Stat()
	if err != nil {
		return 0, err
	}
	return at.Size(), nil
}

// shelfRules are the alarms of the test: each stands over 50 of the point that
// has its name.
func shelfRules() []model.AlarmRule {
	var all []model.AlarmRule
	for _, name := range []string{"seen", "returned", "latched", "reset", "shelved", "repair", "fresh", "beside"} {
		all = append(all, model.AlarmRule{ID: name, Label: name, Priority: model.Critical, Kind: model.AboveLimit, Point: model.PointID(name), Limit: 50})
	}
	all[2].Latch, all[3].Latch = true, true
	slow := model.AlarmRule{ID: "slow", Label: "slow", Priority: model.Warning, Kind: model.AboveLimit, Point: "fresh", Limit: 50, OnDelay: 2 * time.Second}
	return append(all, slow)
}

// shelf is a daemon that is fed by hand and does not run.
type shelf struct {
	*daemon.Daemon
	t     *testing.T
	at    model.Instant
	value map[model.PointID]float64
}

func openShelf(t *testing.T, dir, kernel string, ring store.Opener, outlets model.Outlets) *shelf {
	t.Helper()
	setup := model.Setup{Alarms: shelfRules()}
	box := model.Device{Name: "box"}
	for _, r := range setup.Alarms {
		if r.ID != "slow" {
			box.Points = append(box.Points, model.Point{ID: r.Point})
		}
	}
	setup.Devices = []model.Device{box}
	d, err := daemon.New(&config.Config{StateDir: dir, Setup: setup, Outlets: outlets}, store.Options{KernelBoot: kernel, OpenRing: ring, Slots: 64}, slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	s := &shelf{Daemon: d, t: t, at: d.Now()(), value: map[model.PointID]float64{}}
	if last := d.Store.Last(); !last.Before(s.at) {
		s.at = last.Add(time.Second)
	}
	return s
}

// scan feeds one scan.
func (s *shelf) scan() {
	scan := &model.Scan{Group: "box/1s", At: s.at}
	for _, p := range s.Cfg.Setup.Devices[0].Points {
		scan.Samples = append(scan.Samples, model.GoodSample(p.ID, s.value[p.ID]))
	}
	scan.Measured = len(scan.Samples)
	s.Carrier.Feed(scan, "box")
	s.at = s.at.Add(time.Second)
}

// act does what a person wants, as source.Act does in the carrier's goroutine.
func (s *shelf) act(v model.AlarmVerb, rule string) {
	s.t.Helper()
	events, err := s.Machine.Act(model.AlarmAct{Verb: v, Rule: rule, Who: "Marta", Why: "seen", For: time.Hour}, s.at)
	if err == nil {
		s.Carrier.RecordAlarms(events)
	}
	if err != nil {
		s.t.Fatal(err)
	}
}

// states is where every alarm stands.
func (s *shelf) states() map[string]model.AlarmState {
	all := map[string]model.AlarmState{}
	for _, a := range s.Machine.Status() {
		if s.ours(a.Rule.ID) {
			all[a.Rule.ID] = a.State
		}
	}
	return all
}

// ours reports whether a rule is one of the test's, not a standard one.
func (s *shelf) ours(rule string) bool {
	return slices.ContainsFunc(s.Cfg.Setup.Alarms, func(r model.AlarmRule) bool { return r.ID == rule })
}

// journal is every kept transition in words.
func (s *shelf) journal() (all []string) {
	s.t.Helper()
	for e, err := range s.Store.Events(model.Query{}) {
		if err != nil {
			s.t.Fatal(err)
		}
		if a := e.Alarm; a != nil && a.From != a.To && s.ours(a.Rule) {
			all = append(all, fmt.Sprintf("%s: %s to %s by %q", a.Rule, a.From, a.To, a.Who))
		}
	}
	return all
}

// past brings one alarm into every state there is, and leaves them there.
func (s *shelf) past() {
	for _, p := range []model.PointID{"seen", "returned", "latched", "reset", "shelved", "repair"} {
		s.value[p] = 60
	}
	s.scan()
	s.act(model.Acknowledge, "seen")
	s.act(model.Acknowledge, "reset")
	s.act(model.Shelve, "shelved")
	s.act(model.OutOfService, "repair")
	s.value["returned"], s.value["latched"], s.value["reset"] = 40, 40, 40
	s.scan()
	s.scan()
}

// leftover is what a cut of power at one moment of a write left, with what was
// shown by then and the journal that has to be in it.
type leftover struct {
	what, dir string
	shown     map[string]model.AlarmState
	kept      []string
}

// cuts plays one write with the card armed and returns what each moment left.
func (s *shelf) cuts(c *card, write func()) (all []leftover) {
	c.images = map[string]string{}
	before := s.journal()
	c.seen = func(moment string) {
		l := leftover{what: moment, dir: c.images[moment], shown: map[string]model.AlarmState{}, kept: before}
		for _, a := range s.Carrier.Latest().Alarms {
			l.shown[a.Rule.ID] = a.State
		}
		all = append(all, l)
	}
	write()
	c.images = nil
	if len(all) != 4 || len(s.journal()) == len(before) {
		s.t.Fatalf("the card was written at %d moments, not at four, or nothing was kept", len(all))
	}
	all[2].kept, all[3].kept = s.journal(), s.journal() // a killed daemon leaves what it wrote, a cut of power may
	return all
}

// goesOn starts a daemon on what is left, as the same kernel after a kill or
// as the next one after a cut of power, and lets the conditions stand on. It
// wants the states that were kept at once, and in the end the journal given.
func (l leftover) goesOn(t *testing.T, kernel string, states map[string]model.AlarmState, want []string) {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "state")
	if err := os.CopyFS(dir, os.DirFS(l.dir)); err != nil {
		t.Fatal(err)
	}
	s := openShelf(t, dir, kernel, nil, model.Outlets{})
	if got := s.journal(); !slices.Equal(got, l.kept) {
		t.Errorf("%s: the journal was left as\n%q\nwant\n%q", l.what, got, l.kept)
	}
	now := s.states()
	for rule, was := range states {
		if now[rule] != was {
			t.Errorf("%s: %s is %s, was %s", l.what, rule, now[rule], was)
		}
	}
	for _, p := range []model.PointID{"seen", "shelved", "repair", "fresh", "beside"} {
		s.value[p] = 60
	}
	for range 5 {
		s.scan()
	}
	if got := s.journal(); !slices.Equal(got, want) {
		t.Errorf("%s, %s boot: in the end the journal is\n%q\nwant\n%q", l.what, kernel, got, want)
	}
	if f, err := s.Store.Verify(t.Context(), nil); err != nil || !f.Clean() {
		t.Errorf("%s: %v, %+v", l.what, err, f)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
}

// The daemon is killed, or power cut, at every moment between the judging of a
// scan and its keeping, and again while a person's act is kept. The new alarms
// are shown by then. What starts on the rest has every state that was kept; of
// two alarms of one scan it has both or neither. With the next scans each alarm
// is raised once and nothing is fired anew; one whose delay was under way waits
// for it once more.
func TestACutBetweenAlarmAndCommit(t *testing.T) {
	t.Parallel()
	c := &card{dir: filepath.Join(t.TempDir(), "state"), fail: func(err error) { t.Fatal(err) }}
	s := openShelf(t, c.dir, "first", c.open, model.Outlets{})
	s.past()
	states := s.states()
	s.value["fresh"], s.value["beside"] = 60, 60
	alarm := s.cuts(c, s.scan)
	raised := s.journal()
	seen := s.cuts(c, func() { s.act(model.Acknowledge, "fresh") })
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	for _, rule := range []string{"fresh", "beside", "slow"} {
		delete(states, rule)
	}
	const slow = `slow: normal to unacknowledged by ""`
	for _, kernel := range []string{"first", "second"} {
		for _, l := range alarm {
			if l.shown["fresh"] != model.AlarmUnacknowledged {
				t.Errorf("%s: the new alarm is shown as %s", l.what, l.shown["fresh"])
			}
			l.goesOn(t, kernel, states, append(slices.Clone(raised), slow))
		}
		for _, l := range seen {
			if l.shown["fresh"] != model.AlarmUnacknowledged {
				t.Errorf("%s: the act is shown before it is kept", l.what)
			}
			l.goesOn(t, kernel, states, append(slices.Clone(l.kept), slow))
		}
	}
}
