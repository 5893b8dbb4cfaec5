package notify

import (
	"bufio"
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"crypto/tls"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"mime"
	"mime/quotedprintable"
	"net"
	"net/http"
	"net/http/httptest"
	"net/mail"
	"strings"
	"testing"
	"time"

	"tickover/model"
)

func digest() Digest {
	e := model.AlarmEvent{At: model.Instant{Boot: 1, Offset: time.Minute}, Rule: "oil.low",
		Label: "Oil pressure low", Priority: model.Critical,
		To: model.AlarmUnacknowledged, Quality: model.Good, Quantity: model.Pressure, Value: 40e3,
		Limit: 105e3, Crossing: model.Crossing{Value: 40e3, Limit: 105e3, Quality: model.Good},
		Point: "oil.pressure", Action: "Stop the engine by hand."}
	return Digest{Set: "Überlandwerk 3",
		Messages: []Message{messageOf(e, e.Quantity, model.Clock{})}}
}

// An alarm that is over commands nothing: it has both values and asks for its
// reset.
func TestAMessageOfAnAlarmThatIsOverCommandsNothing(t *testing.T) {
	raised := model.Instant{Boot: 1, Offset: time.Minute}
	clock := model.Clock{Boots: []model.Boot{{Number: 1, Estimates: []model.ClockEstimate{
		{Wall: time.Date(2025, 11, 8, 14, 0, 0, 0, time.UTC).UnixNano(),
			Source: model.ClockSynchronised}}}}}
	e := model.AlarmEvent{At: raised.Add(time.Minute), Rule: "oil.low", Label: "Oil pressure low",
		Priority: model.Critical, Raised: raised,
		Crossing: model.Crossing{Value: 39e3, Limit: 40e3, Quality: model.Good},
		From:     model.AlarmUnacknowledged, To: model.AlarmLatchedUnacknowledged,
		Quality: model.Good, Value: 320e3, Limit: 40e3, Point: model.OilPressure,
		Action: "Stop the engine by hand."}
	m := messageOf(e, model.Pressure, clock)
	if want := "Oil pressure low: 14:01:00 UTC fell to 0.39 bar (limit 0.40). Now 3.20 bar: back " +
		"to normal. Reset it."; m.Text != want || m.Action != "" {
		t.Errorf("%q, action %q; want %q", m.Text, m.Action, want)
	}
	body, err := Digest{Messages: []Message{m}, Clock: clock}.JSON()
	for _, part := range []string{`"value":320000,"limit":40000,"raised_value":39000`, m.Text} {
		if err != nil || !strings.Contains(string(body), part) ||
			strings.Contains(string(body), "Stop the engine") {
			t.Errorf("%s is not in %s: %v", part, body, err)
		}
	}
	e.From, e.To, e.Value = model.AlarmNormal, model.AlarmUnacknowledged, 39e3
	if m := messageOf(e, model.Pressure,
		clock); m.Text != "Oil pressure low: 14:01:00 UTC fell to 0.39 bar (limit 0.40)." ||
		m.Action == "" {
		t.Errorf("while it lasts: %q, action %q", m.Text, m.Action)
	}
}

// The signature is checked as a stranger would, from RFC 2104 and the words of
// the documentation.
func TestAWebhookIsSigned(t *testing.T) {
	var body []byte
	var header http.Header
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		body, _ = io.ReadAll(r.Body)
		header = r.Header
	}))
	defer s.Close()
	w := Webhook{URL: s.URL, Client: s.Client(),
		Key: func() (string, error) { return "geheim", nil }}
	if err := w.Send(context.Background(), digest()); err != nil {
		t.Fatal(err)
	}
	mac := hmac.New(sha256.New, []byte("geheim"))
	fmt.Fprintf(mac, "%s.%s", header.Get(headerTime), body)
	if want := "sha256=" + hex.EncodeToString(mac.Sum(nil)); header.Get(headerSignature) != want {
		t.Errorf("signature %s, want %s", header.Get(headerSignature), want)
	}
	var got struct {
		Messages []struct {
			ID, Alarm, To, Unit, Priority string
			Value, Limit                  float64
			Time                          *string
		}
		Advisory string
	}
	if err := json.Unmarshal(body, &got); err != nil || len(got.Messages) != 1 {
		t.Fatalf("%v: %s", err, body)
	}
	m := got.Messages[0]
	if m.Alarm != "oil.low" || m.To != "unacknowledged" || m.Value != 40000 || m.Limit != 105000 ||
		m.Unit != "Pa" || m.Priority != "critical" || m.Time != nil || got.Advisory == "" {
		t.Errorf("%s", body)
	}
	if strings.Contains(string(body), "geheim") {
		t.Error("the key is in the body")
	}
}

func TestAWebhookThatRefusesIsExplained(t *testing.T) {
	for status, word := range map[int]string{401: "access denied", 404: "path", 302: "changed",
		503: "one digest", 400: "log"} {
		s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter,
			_ *http.Request) {
			w.WriteHeader(status)
		}))
		err := Webhook{URL: s.URL, Client: &http.Client{CheckRedirect: func(*http.Request,
			[]*http.Request) error {
			return http.ErrUseLastResponse
		}}}.Send(context.Background(), digest())
		if err == nil || !strings.Contains(model.HintOf(err), word) {
			t.Errorf("%d: %v (%s)", status, err, model.HintOf(err))
		}
		s.Close()
	}
}

// smtpServer speaks just enough of RFC 5321; script overrides its answers by
// the command's first word.
func smtpServer(t *testing.T, script map[string]string) (address string, mails chan string) {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	mails = make(chan string, 4)
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			go talk(c, script, mails)
		}
	}()
	return l.Addr().String(), mails
}

func talk(c net.Conn, script map[string]string, mails chan string) {
	defer c.Close()
	r := bufio.NewReader(c)
	say := func(word, otherwise string) bool {
		if s, ok := script[word]; ok {
			otherwise = s
		}
		if otherwise == "hang" {
			io.Copy(io.Discard, c)
			return false
		}
		fmt.Fprintf(c, "%s\r\n", otherwise)
		return true
	}
	if !say("hello", "220 here") {
		return
	}
	for {
		line, err := r.ReadString('\n')
		if err != nil {
			return
		}
		word := strings.ToUpper(strings.Fields(line + " x")[0])
		answer := map[string]string{"EHLO": "250 here", "MAIL": "250 ok", "RCPT": "250 ok",
			"DATA": "354 go on", "QUIT": "221 bye"}[word]
		if !say(word, answer) {
			return
		}
		if word != "DATA" || script["DATA"] != "" {
			continue
		}
		var body strings.Builder
		for {
			line, err := r.ReadString('\n')
			if err != nil {
				return
			}
			if line == ".\r\n" {
				break
			}
			body.WriteString(strings.TrimPrefix(line, "."))
		}
		mails <- body.String()
		if !say("end", "250 taken") {
			return
		}
	}
}

func mailTo(address string) MailServer {
	return MailServer{TLS: &tls.Config{},
		Target: model.Target{Server: address, Security: model.PlainText, From: "skid@example.org",
			To: []string{"ada@example.org", "bo@example.org"}}}
}

func TestAMailCanBeRead(t *testing.T) {
	address, mails := smtpServer(t, nil)
	d := digest()
	d.Simulated = true
	if err := mailTo(address).Send(context.Background(), d); err != nil {
		t.Fatal(err)
	}
	m, err := mail.ReadMessage(strings.NewReader(<-mails))
	if err != nil {
		t.Fatal(err)
	}
	subject, err := new(mime.WordDecoder).DecodeHeader(m.Header.Get("Subject"))
	if err != nil ||
		subject != "SIMULATED [critical] Überlandwerk 3: Oil pressure low: fell to 0.40 bar "+
			"(limit 1.05)." {
		t.Errorf("subject %q, %v", subject, err)
	}
	text, err := io.ReadAll(quotedprintable.NewReader(m.Body))
	for _, part := range []string{"Do now: Stop the engine by hand.", "SIMULATED", model.Advisory,
		"1 min after start 1"} {
		if err != nil || !strings.Contains(strings.ReplaceAll(string(text), "\r\n", "\n"), part) {
			t.Errorf("%q is not in the mail: %v\n%s", part, err, text)
		}
	}
	if to, err := m.Header.AddressList("To"); err != nil || len(to) != 2 {
		t.Errorf("%v, %v", to, err)
	}
}

// A server that falls silent at any step is left when the time is up.
func TestAMailServerThatHangsIsLeft(t *testing.T) {
	for _, word := range []string{"hello", "EHLO", "MAIL", "RCPT", "DATA", "end"} {
		address, _ := smtpServer(t, map[string]string{word: "hang"})
		ctx, cancel := context.WithTimeout(context.Background(), 100*time.Millisecond)
		err := mailTo(address).Send(ctx, digest())
		cancel()
		if err == nil || !strings.Contains(err.Error(), "did not finish in time") {
			t.Errorf("silent at %s: %v", word, err)
		}
	}
}

func TestAMailServerThatRefusesIsExplained(t *testing.T) {
	for _, c := range []struct{ word, says, hint string }{
		{"MAIL", "553 sender", "from: and to:"}, {"RCPT", "550 nobody", "from: and to:"},
		{"RCPT", "451 later", "busy"},
		{"DATA", "554 spam", "from: and to:"}, {"hello", "421 closing", "busy"},
	} {
		address, _ := smtpServer(t, map[string]string{c.word: c.says})
		err := mailTo(address).Send(context.Background(), digest())
		if err == nil || !strings.Contains(model.HintOf(err), c.hint) {
			t.Errorf("%s: %v (%s)", c.says, err, model.HintOf(err))
		}
	}
	address, _ := smtpServer(t, nil)
	s := mailTo(address)
	s.Target.Security = model.StartTLS
	if err := s.Send(context.Background(), digest()); err == nil ||
		!strings.Contains(err.Error(), "offers no STARTTLS") {
		t.Errorf("without STARTTLS: %v", err)
	}
}

func TestHeartStopsWhenScansDo(t *testing.T) {
	beats := 0
	s := httptest.NewServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { beats++ }))
	defer s.Close()
	now := model.Instant{Boot: 1, Offset: time.Hour}
	snapshot := &model.Snapshot{At: now}
	h := NewHeartbeat(model.Heartbeat{URL: s.URL}, s.Client(), "set",
		func() *model.Snapshot { return snapshot }, func() model.Instant { return now },
		slog.New(slog.DiscardHandler))
	if err := h.Beat(context.Background()); err != nil || beats != 1 {
		t.Errorf("%v, %d beats", err, beats)
	}
	now = now.Add(beatFresh + time.Second)
	if err := h.Beat(context.Background()); err != errNoScans || beats != 1 {
		t.Errorf("without scans: %v, %d beats", err, beats)
	}
}

// An alarm that is over commands nothing in Alertmanager either.
func TestAnAlertCommandsOnlyWhileItLasts(t *testing.T) {
	r := NewRouter(model.Target{}, model.Critical, nil, model.Setup{}, nil, nil,
		func() model.Instant { return model.Instant{} }, slog.New(slog.DiscardHandler))
	status := model.AlarmStatus{Rule: model.AlarmRule{ID: "oil.low", Point: model.OilPressure,
		Action: "Stop it by hand."}, State: model.AlarmAcknowledged,
		Crossing: model.Crossing{Value: 39e3, Limit: 40e3, Quality: model.Good}, Value: 31e3,
		Quality: model.Good, Watching: true}
	if got := r.alert(time.Now(), status,
		model.Clock{}).Annotations; got["action"] != "Stop it by hand." ||
		got["description"] != "fell to 0.39 bar (limit 0.40). Now 0.31 bar." {
		t.Errorf("while it lasts: %v", got)
	}
	status.State, status.Value = model.AlarmLatchedAcknowledged, 320e3
	got := r.alert(time.Now(), status, model.Clock{}).Annotations
	if _, commands := got["action"]; commands ||
		got["description"] != "fell to 0.39 bar (limit 0.40). Now 3.20 bar: back to normal." {
		t.Errorf("when it is over: %v", got)
	}
}
