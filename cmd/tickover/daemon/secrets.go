package daemon

import (
	"bufio"
	"cmp"
	"context"
	"encoding/base64"
	"errors"
	"fmt"
	"log/slog"
	"net/url"
	"os"
	"slices"
	"strings"
	"sync"

	"tickover/model"
)

// Secrets reads passwords, tokens and keys and remembers what it read, so that
// it can be taken out of every text that goes to the log, the page or the API:
// a server may send back what it was sent. The zero value is ready. It may be
// used by any goroutine.
type Secrets struct {
	mu    sync.RWMutex
	Forms []string // longest first
}

// Bounds of what is remembered. A shorter text is not taken out, since it would
// be found within other words.
const (
	shortestSecret = 4
	shortestToken  = 12 // of a part of an address
	MostForms      = 500
	// ShortestRest is how much of a secret's beginning is taken out of the end
	// of a text that was cut within it.
	ShortestRest = 6
	Hidden       = "[secret]"
)

// read reads a secret for every use again, so that a changed one holds at once.
func (s *Secrets) read(from model.Secret) (string, error) {
	value, err := secret(from)
	if err == nil {
		s.Remember(value)
	}
	return value, err
}

// Reader is read for later; nil when there is no secret.
func (s *Secrets) Reader(from model.Secret) func() (string, error) {
	if !from.Given() {
		return nil
	}
	return func() (string, error) { return s.read(from) }
}

// Remember notes texts to be taken out, also as they stand in addresses and in
// base64.
func (s *Secrets) Remember(values ...string) {
	var forms []string
	for _, v := range values {
		forms = append(forms, v, url.QueryEscape(v), url.PathEscape(v), base64.StdEncoding.EncodeToString([]byte(v)))
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, f := range forms {
		if len(f) >= shortestSecret && !slices.Contains(s.Forms, f) && len(s.Forms) < MostForms {
			s.Forms = append(s.Forms, f)
		}
	}
	slices.SortStableFunc(s.Forms, func(a, b string) int { return cmp.Compare(len(b), len(a)) })
}

// rememberAddress notes the parts of an address that may be a token.
func (s *Secrets) rememberAddress(u *url.URL) {
	s.Remember(u.String())
	if at := u.RequestURI(); len(at) >= shortestToken {
		s.Remember(at)
	}
	parts := strings.Split(u.Path, "/")
	for _, values := range u.Query() {
		parts = append(parts, values...)
	}
	for _, p := range parts {
		if len(p) >= shortestToken {
			s.Remember(p)
		}
	}
}

// Strip takes the secrets out of a text.
func (s *Secrets) Strip(text string) string {
	s.mu.RLock()
	defer s.mu.RUnlock()
	for _, f := range s.Forms {
		text = strings.ReplaceAll(text, f, Hidden)
	}
	for _, f := range s.Forms {
		for n := min(len(f)-1, len(text)); n >= ShortestRest; n-- {
			if strings.HasSuffix(text, f[:n]) {
				return text[:len(text)-n] + Hidden
			}
		}
	}
	return text
}

// stripError is strip for an error; its hint stays.
func (s *Secrets) stripError(err error) error {
	if err == nil {
		return nil
	}
	return &model.Fault{Err: errors.New(s.Strip(err.Error())), Hint: s.Strip(model.HintOf(err))}
}

// Handler takes the secrets out of everything that is logged.
func (s *Secrets) Handler(next slog.Handler) slog.Handler { return strippedLog{next, s} }

type strippedLog struct {
	next    slog.Handler
	secrets *Secrets
}

// Enabled implements slog.Handler.
func (l strippedLog) Enabled(ctx context.Context, level slog.Level) bool {
	return l.next.Enabled(ctx, level)
}

// Handle implements slog.Handler.
func (l strippedLog) Handle(ctx context.Context, r slog.Record) error {
	clean := slog.NewRecord(r.Time, r.Level, l.secrets.Strip(r.Message), r.PC)
	r.Attrs(func(a slog.Attr) bool {
		clean.AddAttrs(l.attr(a))
		return true
	})
	return l.next.Handle(ctx, clean)
}

// WithAttrs implements slog.Handler.
func (l strippedLog) WithAttrs(attrs []slog.Attr) slog.Handler {
	clean := make([]slog.Attr, len(attrs))
	for i, a := range attrs {
		clean[i] = l.attr(a)
	}
	return strippedLog{l.next.WithAttrs(clean), l.secrets}
}

// WithGroup implements slog.Handler.
func (l strippedLog) WithGroup(name string) slog.Handler {
	return strippedLog{l.next.WithGroup(name), l.secrets}
}

func (l strippedLog) attr(a slog.Attr) slog.Attr {
	v := a.Value.Resolve()
	switch v.Kind() {
	case slog.KindString:
		return slog.String(a.Key, l.secrets.Strip(v.String()))
	case slog.KindGroup:
		var clean []slog.Attr
		for _, one := range v.Group() {
			clean = append(clean, l.attr(one))
		}
		return slog.Attr{Key: a.Key, Value: slog.GroupValue(clean...)}
	case slog.KindAny:
		return slog.String(a.Key, l.secrets.Strip(fmt.Sprint(v.Any())))
	}
	return a
}

// secret reads a password, token or key.
func secret(s model.Secret) (string, error) {
	if s.Environment != "" {
		if v := os.Getenv(s.Environment); v != "" {
			return v, nil
		}
		return "", &model.Fault{Err: fmt.Errorf("%s is empty", s), Hint: "set it in the daemon's environment"}
	}
	f, err := os.Open(s.File)
	if err != nil {
		return "", &model.Fault{Err: fmt.Errorf("read a secret: %w", err), Hint: "create the file, readable only by the daemon's user"}
	}
	defer f.Close()
	lines := bufio.NewScanner(f)
	lines.Scan()
	if v := strings.TrimSpace(lines.Text()); v != "" {
		return v, nil
	}
	return "", &model.Fault{Err: fmt.Errorf("%s is empty", s), Hint: "put the secret into its first line"}
}
