package forward

import (
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"tickover/model"
)

// cursor remembers up to where each group of points was sent. Groups on
// different lines are kept in the order they came, not of their instants, so
// one instant for all would skip the slower one's.
type cursor struct {
	path   string
	Groups map[string]model.Instant `json:"groups"`
}

// openCursor reads a cursor; one that is not there begins with the oldest
// reading.
func openCursor(path string) (*cursor, error) {
	c := &cursor{path: path, Groups: map[string]model.Instant{}}
	text, err := os.ReadFile(path)
	if errors.Is(err, os.ErrNotExist) {
		return c, nil
	}
	if err != nil {
		return c, fmt.Errorf("read cursor: %w", err)
	}
	if err := json.Unmarshal(text, c); err != nil {
		c.Groups = map[string]model.Instant{}
		return c, fmt.Errorf("read cursor %s: %w", path, err)
	}
	return c, nil
}

// from is where the next reading to send may be.
func (c *cursor) from() model.Instant {
	var least model.Instant
	for _, at := range c.Groups {
		if least.IsZero() || at.Before(least) {
			least = at
		}
	}
	return least
}

// done reports whether a scan was sent already.
func (c *cursor) done(s *model.Scan) bool {
	at, ok := c.Groups[s.Group]
	return ok && !at.Before(s.At)
}

// move notes that everything up to these instants was sent.
func (c *cursor) move(to map[string]model.Instant) {
	for group, at := range to {
		if c.Groups[group].Before(at) {
			c.Groups[group] = at
		}
	}
}

// lift moves groups that bring nothing any more, so that they do not hold the
// others' begin back.
func (c *cursor) lift(floor model.Instant) {
	for group, at := range c.Groups {
		if at.Before(floor) {
			c.Groups[group] = floor
		}
	}
}

// save writes the cursor so that a power cut leaves the old one or the new.
func (c *cursor) save() error {
	text, err := json.Marshal(c)
	if err != nil {
		return err
	}
	if err := os.MkdirAll(filepath.Dir(c.path), 0o700); err != nil {
		return fmt.Errorf("keep cursor: %w", err)
	}
	fresh := c.path + ".new"
	f, err := os.OpenFile(fresh, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o600)
	if err != nil {
		return fmt.Errorf("keep cursor: %w", err)
	}
	_, err = f.Write(text)
	if err := errors.Join(err, f.Sync(), f.Close()); err != nil {
		return fmt.Errorf("keep cursor: %w", err)
	}
	return os.Rename(fresh, c.path)
}
