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
	mu      sync.Mutex
	waiting []Message
	lines   int // in the file; those that were dropped are still among them
	dropped int // since the last sending
}

// line is one of the file: a message, or at its head how many were dropped
// before the file was made anew.
type line struct {
	Message
	NoRoom int `json:",omitempty"`
}

// openQueue reads what was left. Lines that a power cut spoilt are left out
// and told in the error, beside the queue.
func openQueue(path string) (*queue, error) {
	q := &queue{path: path}
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
		var l line
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
	if spoilt > 0 { // a message behind half a line would be spoilt as well
		return q, errors.Join(fmt.Errorf("read waiting messages in %s: %d lines are spoilt", path, spoilt), q.rewrite())
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

// add puts a message at the end. The error says that it is in memory only.
func (q *queue) add(m Message) error {
	q.mu.Lock()
	defer q.mu.Unlock()
	q.waiting = append(q.waiting, m)
	q.trim()
	if q.lines >= 2*longestQueue { // seldom: making the file anew wears the card
		return q.rewrite()
	}
	return q.append(m)
}

func (q *queue) append(m Message) error {
	text, err := json.Marshal(m)
	if err != nil {
		return err
	}
	if err := os.MkdirAll(filepath.Dir(q.path), 0o700); err != nil {
		return fmt.Errorf("keep a message: %w", err)
	}
	f, err := os.OpenFile(q.path, os.O_WRONLY|os.O_CREATE|os.O_APPEND, 0o600)
	if err != nil {
		return fmt.Errorf("keep a message: %w", err)
	}
	_, err = f.Write(append(text, '\n'))
	if err := errors.Join(err, f.Sync(), f.Close()); err != nil {
		return fmt.Errorf("keep a message: %w", err)
	}
	q.lines++
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
	defer q.mu.Unlock()
	gone := map[string]bool{}
	for _, m := range sent {
		gone[m.ID] = true
	}
	q.waiting = slices.DeleteFunc(q.waiting, func(m Message) bool { return gone[m.ID] })
	q.dropped -= dropped
	return q.rewrite()
}

func (q *queue) len() int {
	q.mu.Lock()
	defer q.mu.Unlock()
	return len(q.waiting)
}

// rewrite makes the file anew so that a power cut leaves the old or the new.
func (q *queue) rewrite() error {
	if len(q.waiting) == 0 {
		if err := os.Remove(q.path); err != nil && !errors.Is(err, os.ErrNotExist) {
			return fmt.Errorf("clear sent messages: %w", err)
		}
		q.lines = 0
		return nil
	}
	all := make([]any, 0, len(q.waiting)+1)
	if q.dropped > 0 {
		all = append(all, line{NoRoom: q.dropped})
	}
	for _, m := range q.waiting {
		all = append(all, m)
	}
	var text []byte
	for _, one := range all {
		line, err := json.Marshal(one)
		if err != nil {
			return err
		}
		text = append(append(text, line...), '\n')
	}
	if err := replace(q.path, text); err != nil {
		return err
	}
	q.lines = len(q.waiting)
	return nil
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
