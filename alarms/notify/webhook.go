package notify

import (
	"bytes"
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"strconv"
	"strings"
	"time"

	"tickover/model"
)

// Webhook posts digests as JSON. With a key each request is signed, so that
// the receiver can check where it comes from.
type Webhook struct {
	URL    string
	Client *http.Client           // adds passwords and certificates
	Key    func() (string, error) // of the signature; nil means unsigned
}

// The headers of a webhook. The signature is the HMAC-SHA256 (RFC 2104) of the
// time header, a full stop and the body, in hexadecimal.
const (
	headerTime      = "Tickover-Time"
	headerSignature = "Tickover-Signature"
)

// payload is a digest in JSON. Names never change.
type payload struct {
	Set       string           `json:"set"`
	Site      string           `json:"site,omitempty"`
	Simulated bool             `json:"simulated"`
	Dropped   int              `json:"dropped"`
	Messages  []payloadMessage `json:"messages"`
	Advisory  string           `json:"advisory"`
}

type payloadMessage struct {
	ID       string      `json:"id"`
	Kind     messageKind `json:"kind"`
	Time     *time.Time  `json:"time"` // null when the time of day is not known
	Clock    string      `json:"clock"`
	Instant  string      `json:"instant"`
	Priority string      `json:"priority"`
	Text     string      `json:"text"`
	Action   string      `json:"action,omitempty"`
	Alarm    string      `json:"alarm,omitempty"`
	From     string      `json:"from,omitempty"`
	To       string      `json:"to,omitempty"`
	Point    string      `json:"point,omitempty"`
	Value    *float64    `json:"value,omitempty"` // null when it was not good
	Limit    *float64    `json:"limit,omitempty"`
	// what raised the alarm; null when it was not good
	Raised   *float64 `json:"raised_value,omitempty"`
	Unit     string   `json:"unit,omitempty"`
	Engine   string   `json:"engine,omitempty"`
	FirstOut bool     `json:"first_out,omitempty"`
	Who      string   `json:"who,omitempty"`
}

// JSON returns the digest for webhooks and brokers.
func (d Digest) JSON() ([]byte, error) {
	t := payload{Set: d.Set, Site: d.Site, Simulated: d.Simulated, Dropped: d.Dropped,
		Advisory: model.Advisory}
	for _, m := range d.Messages {
		t.Messages = append(t.Messages, d.payloadMessage(m))
	}
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	err := e.Encode(t)
	return b.Bytes(), err
}

func (d Digest) payloadMessage(m Message) payloadMessage {
	wall, source := d.Clock.Wall(m.At)
	t := payloadMessage{ID: m.ID, Kind: m.Kind, Clock: source.String(), Instant: m.At.String(),
		Priority: m.Priority.String(), Text: m.Text, Action: m.Action}
	if source != model.ClockUnknown {
		t.Time = &wall
	}
	if e := m.Alarm; e != nil {
		t.Alarm, t.From, t.To, t.Point = e.Rule, e.From.String(), e.To.String(), string(e.Point)
		t.Engine, t.FirstOut, t.Who, t.Unit = e.Engine.String(), e.FirstOut, e.Who,
			e.Quantity.Unit()
		if e.Quality == model.Good {
			t.Value, t.Limit = &e.Value, &e.Limit
		}
		if e.Crossing.Quality == model.Good {
			t.Raised = &e.Crossing.Value
		}
	}
	return t
}

// Send implements Sender. Any 2xx answer means that the digest was accepted.
func (w Webhook) Send(ctx context.Context, d Digest) error {
	body, err := d.JSON()
	if err != nil {
		return fmt.Errorf("encode the messages: %w", err)
	}
	headers := map[string]string{}
	if w.Key != nil {
		key, err := w.Key()
		if err != nil {
			return err
		}
		stamp := strconv.FormatInt(time.Now().Unix(), 10)
		headers[headerTime], headers[headerSignature] = stamp, "sha256="+signature(key, stamp, body)
	}
	_, err = postJSON(ctx, w.Client, w.URL, body, headers)
	return err
}

func signature(key, stamp string, body []byte) string {
	mac := hmac.New(sha256.New, []byte(key))
	mac.Write([]byte(stamp + "."))
	mac.Write(body)
	return hex.EncodeToString(mac.Sum(nil))
}

// postJSON posts and expects a 2xx answer. It returns the answer's headers.
func postJSON(ctx context.Context, c *http.Client, url string, body []byte,
	headers map[string]string) (http.Header, error) {
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, url, bytes.NewReader(body))
	if err != nil {
		return nil, fmt.Errorf("prepare the request: %w", err)
	}
	req.Header.Set("Content-Type", "application/json")
	for k, v := range headers {
		req.Header.Set(k, v)
	}
	resp, err := c.Do(req)
	if err != nil {
		return nil, err
	}
	defer resp.Body.Close()
	said, _ := io.ReadAll(io.LimitReader(resp.Body, 300)) // only for the error's words
	if resp.StatusCode/100 != 2 {
		return resp.Header, &model.Fault{
			Err: fmt.Errorf("the server answers %s: %s", resp.Status,
				strings.TrimSpace(string(said))), Hint: answerHint(resp.StatusCode)}
	}
	return resp.Header, nil
}

func answerHint(status int) string {
	switch {
	case status == http.StatusUnauthorized, status == http.StatusForbidden:
		return "access denied: check user, password, token and signature key"
	case status == http.StatusNotFound, status == http.StatusMethodNotAllowed:
		return "no service at this address: check its path"
	case status/100 == 3:
		return "the address has changed: enter the new one in the configuration"
	case status/100 == 5:
		return "server fault: messages wait and are sent as one digest"
	}
	return "see the log of the server"
}
