package notify

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"mime/quotedprintable"
	"net/mail"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"tickover/model"
)

func TestSpoiltLinesOfAQueueAreLeftOut(t *testing.T) {
	path := filepath.Join(t.TempDir(), "letter.queue")
	q, err := openQueue(path, &disk{})
	if err != nil {
		t.Fatal(err)
	}
	for i := range 3 {
		if err := q.add(Message{ID: fmt.Sprint(i), Text: "x"})(); err != nil {
			t.Fatal(err)
		}
	}
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	// A power cut in the middle of the last line.
	if err := os.WriteFile(path, text[:len(text)-9], 0o600); err != nil {
		t.Fatal(err)
	}
	q, err = openQueue(path, &disk{})
	if err == nil || q.len() != 2 {
		t.Errorf("%d left, %v", q.len(), err)
	}
	// What comes behind it is not spoilt as well.
	if err := q.add(Message{ID: "3", Text: "x"})(); err != nil {
		t.Fatal(err)
	}
	if q, err = openQueue(path, &disk{}); err != nil || q.len() != 3 {
		t.Errorf("%d left, %v", q.len(), err)
	}
}

// Thousands of events while the mail server is away for long: the file stays
// bounded, a restart keeps the newest thousand, and they come in a few mails
// through a real connection, oldest first, with word of what was left out.
func TestThousandsOfEventsFitTheCardAndAFewMails(t *testing.T) {
	folder := t.TempDir()
	path := filepath.Join(folder, "letter.queue")
	q, err := openQueue(path, &disk{})
	if err != nil {
		t.Fatal(err)
	}
	const events = 2*longestQueue + 1500
	largest := int64(0)
	for i := range events {
		e := model.AlarmEvent{At: model.Instant{Boot: 1, Offset: time.Duration(i+1) * time.Second},
			Rule: "oil.low", Label: "Oil pressure low", To: model.AlarmUnacknowledged,
			Priority: model.Critical, Quality: model.Good, Action: "Stop the engine by hand."}
		if err := q.add(messageOf(e, model.NoQuantity, model.Clock{}))(); err != nil {
			t.Fatal(err)
		}
		if st, err := os.Stat(path); err == nil {
			largest = max(largest, st.Size())
		}
	}
	if largest > 3<<20 {
		t.Errorf("the queue took %d bytes of the card", largest)
	}
	address, mails := smtpServer(t, nil)
	s := mailTo(address)
	p := newTargetQueue(model.Target{Name: "letter", Kind: model.Mail}, s, folder, &disk{},
		func() Digest { return Digest{Set: "Hatchery"} }, slog.New(slog.DiscardHandler))
	ctx, stop := context.WithCancel(context.Background())
	defer stop()
	go p.run(ctx)
	told, left := []string{}, 0
	for len(told) < longestQueue {
		m, err := mail.ReadMessage(strings.NewReader(<-mails))
		if err != nil {
			t.Fatal(err)
		}
		text, err := io.ReadAll(quotedprintable.NewReader(m.Body))
		if err != nil {
			t.Fatal(err)
		}
		for line := range strings.Lines(string(text)) {
			if when, _, ok := strings.Cut(line, " after start 1"); ok {
				told = append(told, when)
			}
			if n, _, ok := strings.Cut(line, " older messages are not included"); ok {
				if left, err = strconv.Atoi(n); err != nil {
					t.Fatal(err)
				}
			}
		}
	}
	first, last := time.Duration(events-longestQueue+1)*time.Second,
		time.Duration(events)*time.Second
	if told[0] != model.Lasting(first) || told[longestQueue-1] != model.Lasting(last) ||
		len(told) != longestQueue || left != events-longestQueue {
		t.Errorf("%d told from %s to %s, want %d from %s to %s; %d left out", len(told), told[0],
			told[len(told)-1], longestQueue, first, last, left)
	}
	t.Logf("%d events: %d bytes on the card at most, %d told, %d said to be left out", events,
		largest, len(told), left)
}
