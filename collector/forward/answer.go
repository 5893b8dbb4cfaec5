package forward

import (
	"fmt"
	"net/http"
	"strconv"
	"strings"
	"time"

	"tickover/model"
)

// reason names why samples were dropped. It is the label of a counter.
type reason string

// The reasons.
const (
	tooOld     reason = "too old"      // for the server, or beyond the configured age
	outOfOrder reason = "out of order" // the server has newer samples of the series
	duplicate  reason = "duplicate"    // the server has another value at that time
	badLabels  reason = "labels"       // the server takes no such series
	refused    reason = "refused"      // for another reason
	undated    reason = "undated"      // of a boot whose time of day was never known
	future     reason = "future"       // of a past boot whose clock was ahead
	unread     reason = "unreadable"   // damaged in the store
)

// fate is what became of a request.
type fate uint8

const (
	accepted fate = iota
	rejected      // never try these samples again as they are
	suspect       // the server failed: try again, and if it goes on, look for the sample that does it
	later         // try again
)

// answer is what a server said to a request.
type answer struct {
	status int
	text   string // the begin of the body
	date   time.Time
	after  time.Duration // when to ask again, by Retry-After; 0 when not said
}

const windowHint = "set storage.tsdb.out_of_order_time_window in the server's configuration file, to 30d for example, and reload it; " +
	"or set oldest: to less than the server takes"

// judge says what an answer means for the samples that were sent.
func (a answer) judge() (fate, reason) {
	switch {
	case a.status/100 == 2:
		return accepted, ""
	case a.status == http.StatusBadRequest, a.status == http.StatusUnprocessableEntity, a.status == http.StatusRequestEntityTooLarge:
		return rejected, a.reason()
	case a.status == http.StatusInternalServerError && a.reason() != refused:
		return rejected, a.reason() // Prometheus 2.x says so of samples beyond its window
	case a.status == http.StatusInternalServerError:
		return suspect, refused
	}
	return later, ""
}

// reason finds it in the server's words: the protocol has no code for it.
func (a answer) reason() reason {
	for _, r := range []struct {
		words string
		is    reason
	}{{"too old", tooOld}, {"out of bounds", tooOld}, {"out of order", outOfOrder}, {"duplicate sample", duplicate},
		{"duplicate label", badLabels}, {"label name", badLabels}, {"invalid metric name", badLabels}} {
		if strings.Contains(a.text, r.words) {
			return r.is
		}
	}
	return refused
}

// trouble says in words why nothing, or not everything, is taken; nil when
// all is.
func (a answer) trouble() error {
	said := fmt.Errorf("the server answers %d %s: %s", a.status, http.StatusText(a.status), a.text)
	_, why := a.judge()
	switch {
	case a.status/100 == 2:
		return nil
	case why == tooOld, why == outOfOrder:
		return &model.Fault{Err: said, Hint: windowHint}
	case why == duplicate:
		return &model.Fault{Err: said, Hint: "another sender uses the same labels: give every set its own instance label"}
	case why == badLabels:
		return &model.Fault{Err: said, Hint: "look at labels: here and at the server's relabelling"}
	case a.status/100 == 3:
		return &model.Fault{Err: said, Hint: "the server has moved: put its new address into url:"}
	case strings.Contains(a.text, "HTTP request to an HTTPS server"), strings.Contains(a.text, "HTTP request was sent to HTTPS port"):
		return &model.Fault{Err: said, Hint: "let url: begin with https://"}
	}
	return &model.Fault{Err: said, Hint: statusHint(a.status)}
}

func statusHint(status int) string {
	switch status {
	case http.StatusNotFound, http.StatusMethodNotAllowed:
		return "start Prometheus with --web.enable-remote-write-receiver, and let url: end in /api/v1/write"
	case http.StatusUnauthorized:
		return "user or password is wrong or missing: look at user:, password file: and bearer file:"
	case http.StatusForbidden:
		return "the server knows us but does not let us write: look at the rights it gives"
	case http.StatusUnsupportedMediaType:
		return "the server does not speak remote write 1.0 at this address"
	case http.StatusTooManyRequests:
		return "the server asks to slow down: lower samples a second:"
	case http.StatusRequestEntityTooLarge:
		return "lower samples a request:"
	case http.StatusBadGateway, http.StatusServiceUnavailable, http.StatusGatewayTimeout:
		return "the server is not up; readings are kept and sent later"
	}
	return "the server's own log says more; readings are kept and sent later"
}

// retryAfter reads the header of that name: seconds or a date.
func retryAfter(h http.Header, now time.Time) time.Duration {
	text := h.Get("Retry-After")
	if n, err := strconv.Atoi(text); err == nil && n > 0 {
		return min(time.Duration(n)*time.Second, longestWait)
	}
	if t, err := http.ParseTime(text); err == nil && t.After(now) {
		return min(t.Sub(now), longestWait)
	}
	return 0
}
