package main

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"encoding/base64"
	"net"
	"net/textproto"
	"strings"
	"testing"
	"time"

	"tickover/alarms/notify"
	"tickover/cmd/tickover/daemon"
	"tickover/model"
)

// postOffice is a mail server (RFC 5321) that takes mail through TLS only,
// from the first byte or by STARTTLS (RFC 3207), from the one who has the
// password (RFC 4954 with RFC 4616's PLAIN).
type postOffice struct {
	settings *tls.Config
	implicit bool
	mails    chan string
}

const (
	mailUser     = "skid"
	mailPassword = "twelve volts"
)

func newPostOffice(t *testing.T, own tls.Certificate, implicit bool) (address string, mails chan string) {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	p := &postOffice{&tls.Config{Certificates: []tls.Certificate{own}}, implicit, make(chan string, 4)}
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			if implicit {
				c = tls.Server(c, p.settings)
			}
			go p.talk(c)
		}
	}()
	return l.Addr().String(), p.mails
}

func (p *postOffice) talk(c net.Conn) {
	defer func() { c.Close() }()
	protected, entered := p.implicit, false
	text := textproto.NewConn(c)
	text.PrintfLine("220 here")
	for {
		line, err := text.ReadLine()
		if err != nil {
			return
		}
		word := strings.ToUpper(strings.Fields(line + " x")[0])
		switch {
		case word == "EHLO" && protected:
			text.PrintfLine("250-here\r\n250 AUTH PLAIN")
		case word == "EHLO":
			text.PrintfLine("250-here\r\n250 STARTTLS")
		case word == "STARTTLS":
			text.PrintfLine("220 go on")
			c = tls.Server(c, p.settings)
			text, protected = textproto.NewConn(c), true
		case word == "AUTH":
			want := "AUTH PLAIN " + base64.StdEncoding.EncodeToString([]byte("\x00"+mailUser+"\x00"+mailPassword))
			if entered = protected && line == want; entered {
				text.PrintfLine("235 come in")
			} else {
				text.PrintfLine("535 5.7.8 who are you")
			}
		case !entered:
			text.PrintfLine("530 5.7.0 log in first")
		case word == "DATA":
			text.PrintfLine("354 go on")
			body, err := text.ReadDotLines()
			if err != nil {
				return
			}
			p.mails <- strings.Join(body, "\n")
			text.PrintfLine("250 taken")
		default:
			text.PrintfLine("250 ok")
		}
	}
}

// patientPost is how long a mail server may say nothing here.
const patientPost = 2 * time.Second

// mailOnce sends a mail as the daemon does.
func mailOnce(address string, s model.Security, a model.Access) error {
	target := model.Target{Name: "letter", Kind: model.Mail, Server: address, Security: s, Access: a, From: "skid@example.org", To: []string{"ada@example.org"}}
	ctx, cancel := context.WithTimeout(context.Background(), patientPost)
	defer cancel()
	return (&daemon.Daemon{}).Sender(target, nil).Send(ctx, notify.Digest{Set: "Hatchery", Messages: []notify.Message{{ID: "1", Text: "Oil pressure low"}}})
}

// A mail goes through TLS, or the reason and the cure are said: the server's
// certificate, the password, the port.
func TestMailGoesThroughTLSOrIsExplained(t *testing.T) {
	folder := t.TempDir()
	a := newAuthority(t, folder)
	good := a.issue("good", func(*x509.Certificate) {})
	trusted := model.TLS{Authority: a.trusted()}
	access := func(password string) model.Access {
		return model.Access{User: mailUser, Password: model.Secret{File: write(t, folder, "password", password+"\n")}, TLS: trusted}
	}
	for security, name := range map[model.Security]string{model.ImplicitTLS: "from the first byte", model.StartTLS: "by STARTTLS"} {
		t.Run(name, func(t *testing.T) {
			address, mails := newPostOffice(t, good, security == model.ImplicitTLS)
			if err := mailOnce(address, security, access(mailPassword)); err != nil {
				t.Fatalf("%v (%s)", err, model.HintOf(err))
			}
			if m := <-mails; !strings.Contains(m, "Oil pressure low") {
				t.Errorf("the mail: %s", m)
			}
			explained(t, "wrong password", healthOf(mailOnce(address, security, access("six volts"))), "535", "check user and password")
			stranger := access(mailPassword)
			stranger.TLS = model.TLS{}
			explained(t, "nobody vouches", healthOf(mailOnce(address, security, stranger)), "certificate", "trust file:")
			for which, d := range doubtful {
				address, mails := newPostOffice(t, a.issue(which, d.change), security == model.ImplicitTLS)
				explained(t, which, healthOf(mailOnce(address, security, access(mailPassword))), "certificate", d.hint)
				if len(mails) > 0 {
					t.Errorf("%s: the mail was sent all the same", which)
				}
			}
			other := model.StartTLS + model.ImplicitTLS - security
			explained(t, "the other kind of port", healthOf(mailOnce(address, other, access(mailPassword))), "", "security: "+securityWord(security))
		})
	}
}

func securityWord(s model.Security) string {
	if s == model.ImplicitTLS {
		return "tls"
	}
	return "starttls"
}

// Readings, webhooks and brokers meet the same certificates.
func TestDoubtfulCertificatesAreExplained(t *testing.T) {
	a := newAuthority(t, t.TempDir())
	trusted := model.TLS{Authority: a.trusted()}
	for name, d := range doubtful {
		t.Run(name, func(t *testing.T) {
			own := a.issue(name, d.change)
			g := newGate(t, nil)
			g.TLS.Certificates = []tls.Certificate{own}
			explained(t, "readings", pushOnce(t, g.URL, model.Access{TLS: trusted}), "certificate", d.hint)
			explained(t, "alarms", healthOf(tellOnce(t, g.URL, model.Access{TLS: trusted})), "certificate", d.hint)
			address, published := broker(t, &tls.Config{Certificates: []tls.Certificate{own}}, "", "")
			explained(t, "broker", publishOnce(t, address, model.Access{TLS: trusted}), "certificate", d.hint)
			if published() || g.requests() > 0 {
				t.Error("something was sent all the same")
			}
		})
	}
}
