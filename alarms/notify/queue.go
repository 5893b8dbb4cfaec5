package notify

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"sync"
)

// longestQueue is how many messages wait for one target; the oldest make room.
const longestQueue = 1000

// queue holds the messages for one target, in memory and on disk. It may be
// used by several goroutines at once.
type queue struct {
	path    string
	disk    *disk
	mu      sync.Mutex
	waiting []Message
	lines   int // in the file; those that were dropped are still among them
	dropped int // since the last sending
}

// queueLine is one line of the file: a message, or in the first line how many were
// dropped before the file was last rewritten.
type queueLine struct {
	Message
	NoRoom int `json:",omitempty"`
}

// openQueue reads the waiting messages. Lines that a power cut damaged are left out and
// reported in the error, with the queue.
func openQueue(path string, d *disk) (*queue, error) {
	q := &queue{path: path, disk: d}
	text, err := os.ReadFile(path)
	if errors.Is(err, os.ErrNotExist) {
		return q, nil
	}
	if err != nil {
		return q, fmt.Errorf("read waiting messages: %w", err)
	}
	spoilt := 0
	lines := bufio.NewScanner(bytes.NewReader(text))
	lines.Buffer(nil, 1<<20)
	for lines.Scan() {
		var l queueLine
		if json.Unmarshal(lines.Bytes(), &l) != nil || l.ID == "" && l.NoRoom == 0 {
			spoilt++
			continue
		}
		if q.dropped += l.NoRoom; l.ID != "" {
			q.waiting = append(q.waiting, l.Message)
		}
	}
	q.lines = len(q.waiting)
	q.trim()
	if spoilt > 0 { // a message after half a line would be damaged as well
		w, err := q.rewrite()
		if err == nil {
			err = d.wait(w)
		}
		return q, errors.Join(fmt.Errorf("read waiting messages in %s: %d lines are damaged", path,
			spoilt), err)
	}
	return q, nil
}

// trim makes room: the oldest messages go.
func (q *queue) trim() {
	if over := len(q.waiting) - longestQueue; over > 0 {
		q.dropped += over
		q.waiting = slices.Delete(q.waiting, 0, over)
	}
}

// add puts a message at the end. What it returns waits for the card; its error
// says that the message is in memory only.
func (q *queue) add(m Message) (kept func() error) {
	text, err := json.Marshal(m)
	q.mu.Lock()
	defer q.mu.Unlock()
	q.waiting = append(q.waiting, m)
	q.trim()
	if err != nil {
		return func() error { return err }
	}
	var w *write
	if q.lines >= 2*longestQueue { // seldom: making the file again wears the card
		w, err = q.rewrite()
	} else {
		q.lines++
		w = q.disk.later(func() error { return appendLine(q.path, text) })
	}
	if err != nil {
		return func() error { return err }
	}
	return func() error { return q.disk.wait(w) }
}

func appendLine(path string, text []byte) error {
	if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
		return fmt.Errorf("keep a message: %w", err)
	}
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_APPEND, 0o600)
	if err != nil {
		return fmt.Errorf("keep a message: %w", err)
	}
	_, err = f.Write(append(text, '\n'))
	if err := errors.Join(err, f.Sync(), f.Close()); err != nil {
		return fmt.Errorf("keep a message: %w", err)
	}
	return nil
}

// next returns the oldest messages, at most n, and how many were dropped
// before them.
func (q *queue) next(n int) ([]Message, int) {
	q.mu.Lock()
	defer q.mu.Unlock()
	return slices.Clone(q.waiting[:min(n, len(q.waiting))]), q.dropped
}

// done takes out what was sent. Messages may have been dropped meanwhile, so
// it goes by their IDs.
func (q *queue) done(sent []Message, dropped int) error {
	q.mu.Lock()
	gone := map[string]bool{}
	for _, m := range sent {
		gone[m.ID] = true
	}
	q.waiting = slices.DeleteFunc(q.waiting, func(m Message) bool { return gone[m.ID] })
	q.dropped -= dropped
	w, err := q.rewrite()
	q.mu.Unlock()
	if err != nil {
		return err
	}
	return q.disk.wait(w)
}

func (q *queue) len() int {
	q.mu.Lock()
	defer q.mu.Unlock()
	return len(q.waiting)
}

// rewrite makes the file again so that a power cut leaves the old or the new.
// Callers hold mu and wait for it when they do not.
func (q *queue) rewrite() (*write, error) {
	q.lines = len(q.waiting)
	if q.lines == 0 {
		return q.disk.later(func() error {
			if err := os.Remove(q.path); err != nil && !errors.Is(err, os.ErrNotExist) {
				return fmt.Errorf("clear sent messages: %w", err)
			}
			return nil
		}), nil
	}
	all := make([]any, 0, len(q.waiting)+1)
	if q.dropped > 0 {
		all = append(all, queueLine{NoRoom: q.dropped})
	}
	for _, m := range q.waiting {
		all = append(all, m)
	}
	var text []byte
	for _, one := range all {
		line, err := json.Marshal(one)
		if err != nil {
			return nil, err
		}
		text = append(append(text, line...), '\n')
	}
	return q.disk.later(func() error { return replace(q.path, text) }), nil
}

// replace writes a file so that a power cut leaves the old one or the new.
func replace(path string, text []byte) error {
	if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
		return fmt.Errorf("keep %s: %w", filepath.Base(path), err)
	}
	fresh := path + ".new"
	f, err := os.OpenFile(fresh, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o600)
	if err != nil {
		return fmt.Errorf("keep %s: %w", filepath.Base(path), err)
	}
	_, err = f.Write(text)
	if err := errors.Join(err, f.Sync(), f.Close()); err != nil {
		return fmt.Errorf("keep %s: %w", filepath.Base(path), err)
	}
	return os.Rename(fresh, path)
}
