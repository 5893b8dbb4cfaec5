package record

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"tickover/cmd/tickover/api"
	"tickover/collector"
	"tickover/collector/store"
	"tickover/model"
)

// Note puts a note or remark on the timeline, at the moment it was written. A
// phone out of reach of the logger keeps it and later sends how long ago that
// was, so the phone's clock need not be right.
func (s *Reader) Note(ctx context.Context, said api.Note) (uint64, error) {
	events := []model.Event{{Kind: model.NoteEvent, Who: said.Who, Text: said.Text}}
	if said.Remark {
		events[0].Kind = model.RemarkEvent
	}
	if len(said.Photo) > 0 {
		number, err := s.Store.PutPhoto(said.Photo)
		switch {
		case errors.Is(err, store.ErrPhotos):
			// Words are not lost with a photo too many, nor do they keep those
			// behind them waiting on the telephone.
			events[0].Text = strings.TrimSpace(events[0].Text + fmt.Sprintf(" (its photo is not kept: the logger holds %d already)", store.MostPhotos))
		case err != nil:
			return 0, err
		}
		events[0].Photo = number
	}
	err := s.keep(ctx, events, func() { events[0].At, events[0].Text = s.moment(said.Ago, events[0].Text) })
	return events[0].Seq, err
}

// errGivenUp says that a note is not on the timeline under its number.
var errGivenUp = errors.New("the note is not on the card: memory was full, or the store began new")

// Kept returns nil when the note or remark with this number is on the card, or
// comes there soon, and an error that wraps store.ErrNotKept when it still
// waits. Any other error says that it is not there.
func (s *Reader) Kept(ctx context.Context, seq uint64, said api.Note) error {
	waiting, cancel := context.WithTimeout(ctx, collector.KeptWithin)
	defer cancel()
	if err := s.Store.Kept(waiting, seq); err != nil {
		return err
	}
	for e, err := range s.Store.Events(model.Query{}) {
		if err != nil {
			return err
		}
		if e.Seq == seq && e.Who == said.Who && strings.HasPrefix(e.Text, said.Text) {
			return nil
		}
	}
	return errGivenUp
}

// keep records events that a person makes and returns nil when they are on the
// card: through the carrier when a daemon runs. date, called right before, gives
// them their time.
func (s *Reader) keep(ctx context.Context, events []model.Event, date func()) error {
	if s.live == nil {
		date()
		return s.Store.AppendEvents(events)
	}
	return s.live.Do(ctx, func() error {
		date()
		s.live.Record(events...)
		return nil
	})
}

// keepNow is keep for one event of this moment.
func (s *Reader) keepNow(ctx context.Context, e model.Event) (seq uint64, err error) {
	events := []model.Event{e}
	err = s.keep(ctx, events, func() { events[0].At = Instants(s.Store.Boot())() })
	return events[0].Seq, err
}

// moment returns when it was so long ago. What was said before this boot began
// belongs to an earlier one, if a clock can tell; if none can, it is put at the
// boot's beginning and the text says so.
func (s *Reader) moment(ago time.Duration, text string) (model.Instant, string) {
	now := Instants(s.Store.Boot())()
	at := now.Add(-ago)
	if at.Offset >= 0 {
		return at, text
	}
	clock := s.Store.Clock()
	if wall, source := clock.Wall(now); source != model.ClockUnknown {
		if earlier, ok := clock.Place(wall.Add(-ago)); ok {
			return earlier, text
		}
	}
	return model.Instant{Boot: now.Boot}, fmt.Sprintf("%s (said %s before it was sent)", text, model.Lasting(ago.Round(time.Minute)))
}

// Photo returns a picture kept with words.
func (s *Reader) Photo(_ context.Context, number uint64) ([]byte, error) {
	return s.Store.Photo(number)
}

// errClockKnown says that a better clock than a person's word is there.
var errClockKnown = errors.New("the time of day is known from the network already")

// SetTime dates this boot by what a person's telephone says, unless the clock
// is synchronised. The whole boot is dated anew; no duration changes.
func (s *Reader) SetTime(ctx context.Context, now time.Time, who string) error {
	if s.live == nil {
		return errNotRunning
	}
	return s.live.Do(ctx, func() error {
		at := Instants(s.Store.Boot())()
		if _, source := s.Store.Clock().Wall(at); source > model.ClockPhone && source != model.ClockSimulated {
			return errClockKnown
		}
		if err := s.Store.Estimate(at.Boot, model.ClockEstimate{At: at.Offset, Wall: now.UnixNano(), Source: model.ClockPhone}); err != nil {
			return fmt.Errorf("keep the time: %w", err)
		}
		s.live.Record(model.Event{At: at, Kind: model.ClockEvent, Who: who, Text: "time of day taken from a telephone: " + now.UTC().Format(time.RFC3339)})
		return nil
	})
}
