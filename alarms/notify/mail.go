package notify

import (
	"bytes"
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"mime"
	"mime/quotedprintable"
	"net"
	"net/smtp"
	"net/textproto"
	"os"
	"strings"
	"time"

	"tickover/model"
)

// MailServer sends digests by SMTP. A server that hangs is left when the
// context ends.
type MailServer struct {
	Target   model.Target
	TLS      *tls.Config            // never nil
	Password func() (string, error) // nil when there is no user
	// Failed gives a network's error its hint; nil leaves it as it is.
	Failed func(error) error
}

// Send implements Sender. The mail is taken when the server has acknowledged
// the whole of it.
func (s MailServer) Send(ctx context.Context, d Digest) error {
	err := s.send(ctx, d)
	var said *textproto.Error
	var record tls.RecordHeaderError
	switch {
	case err == nil:
		return nil
	case errors.Is(err, errMute) && s.Target.Security == model.StartTLS:
		return &model.Fault{Err: fmt.Errorf("the mail server %s does not respond: %w",
			s.Target.Server, err),
			Hint: "a port with TLS from the start, usually 465, needs security: tls. If it is " +
				"another port, check the server. The message waits"}
	case ctx.Err() != nil, errors.Is(err, os.ErrDeadlineExceeded):
		return &model.Fault{Err: fmt.Errorf("the mail server %s did not finish in time: %w",
			s.Target.Server, err), Hint: "check the server; the message waits"}
	case errors.As(err, &record):
		return &model.Fault{Err: fmt.Errorf("the mail server %s does not begin with TLS: %w",
			s.Target.Server, err),
			Hint: "use security: starttls, or the server's port with TLS from the start, " +
				"usually 465"}
	case errors.As(err, &said):
		return &model.Fault{Err: fmt.Errorf("the mail server %s refuses: %w", s.Target.Server, err),
			Hint: mailHint(said.Code)}
	case s.Failed != nil:
		return s.Failed(err)
	}
	return err
}

// errMute is a server that takes the connection and does not greet.
var errMute = errors.New("no greeting in time")

func mailHint(code int) string {
	switch code {
	case 502, 503, 504:
		return "the server accepts no password here (AUTH PLAIN): use its submission port, " +
			"usually 587 or 465"
	case 530, 534, 535:
		return "check user and password; some accounts need a password made for programs"
	case 550, 551, 553, 554:
		return "the server does not accept this sender or recipient: check from: and to:"
	case 421, 450, 451, 452:
		return "the server is busy; the message waits"
	}
	return "see the log of the mail server"
}

func (s MailServer) send(ctx context.Context, d Digest) error {
	host, _, err := net.SplitHostPort(s.Target.Server)
	if err != nil {
		return fmt.Errorf("read the mail server's address: %w", err)
	}
	conn, err := (&net.Dialer{}).DialContext(ctx, "tcp", s.Target.Server)
	if err != nil {
		return err
	}
	defer conn.Close()
	if limit, ok := ctx.Deadline(); ok {
		conn.SetDeadline(limit)
	}
	stop := context.AfterFunc(ctx, func() { conn.SetDeadline(time.Now()) })
	defer stop()
	settings := s.TLS.Clone()
	if settings.ServerName == "" {
		settings.ServerName = host
	}
	if s.Target.Security == model.ImplicitTLS {
		conn = tls.Client(conn, settings)
	}
	c, err := smtp.NewClient(conn, host)
	if errors.Is(err, os.ErrDeadlineExceeded) {
		return errors.Join(errMute, err)
	}
	if err != nil {
		return err
	}
	if err := s.enter(c, host, settings); err != nil {
		return err
	}
	return s.hand(c, d)
}

// enter protects the connection and logs in.
func (s MailServer) enter(c *smtp.Client, host string, settings *tls.Config) error {
	if s.Target.Security == model.StartTLS {
		if ok, _ := c.Extension("STARTTLS"); !ok {
			return &model.Fault{Err: fmt.Errorf("the mail server %s offers no STARTTLS",
				s.Target.Server),
				Hint: "use its other port with security: tls, or security: none on a private " +
					"network"}
		}
		if err := c.StartTLS(settings); err != nil {
			return err
		}
	}
	if s.Password == nil {
		return nil
	}
	password, err := s.Password()
	if err != nil {
		return err
	}
	return c.Auth(smtp.PlainAuth("", s.Target.Access.User, password, host))
}

// hand gives the mail to the server.
func (s MailServer) hand(c *smtp.Client, d Digest) error {
	if err := c.Mail(s.Target.From); err != nil {
		return err
	}
	for _, to := range s.Target.To {
		if err := c.Rcpt(to); err != nil {
			return err
		}
	}
	w, err := c.Data()
	if err != nil {
		return err
	}
	if _, err := w.Write(s.letter(d, time.Now())); err != nil {
		return err
	}
	if err := w.Close(); err != nil {
		return err
	}
	_ = c.Quit() // the mail is taken; a server that is rude at parting changes nothing
	return nil
}

// letter is the mail (RFC 5322) with its text quoted-printable.
func (s MailServer) letter(d Digest, now time.Time) []byte {
	var b bytes.Buffer
	_, domain, _ := strings.Cut(s.Target.From, "@")
	last := d.Messages[len(d.Messages)-1]
	for _, h := range [][2]string{
		{"From", s.Target.From}, {"To", strings.Join(s.Target.To, ", ")},
		{"Subject", mime.QEncoding.Encode("utf-8", oneLine(d.subject()))},
		{"Date", now.Format(time.RFC1123Z)},
		{"Message-ID", fmt.Sprintf("<%s.%d@%s>", strings.Map(idRune, last.ID), len(d.Messages),
			domain)},
		{"Auto-Submitted", "auto-generated"},
		{"MIME-Version", "1.0"}, {"Content-Type", "text/plain; charset=utf-8"},
		{"Content-Transfer-Encoding", "quoted-printable"},
	} {
		fmt.Fprintf(&b, "%s: %s\r\n", h[0], h[1])
	}
	b.WriteString("\r\n")
	q := quotedprintable.NewWriter(&b)
	fmt.Fprint(q, strings.Join(d.lines(), "\r\n")+"\r\n")
	q.Close() // to a buffer: it cannot fail
	return b.Bytes()
}

func oneLine(text string) string { return strings.Join(strings.Fields(text), " ") }

// idRune keeps what may stand in a message identifier.
func idRune(r rune) rune {
	if r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || r == '-' ||
		r == '.' {
		return r
	}
	return '_'
}
