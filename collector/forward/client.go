package forward

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"net/http"
	"strings"
	"time"
)

const (
	requestLimit = 30 * time.Second // for one request with its answer
	longestText  = 300              // of a server's words, bytes
)

// client speaks remote write 1.0 to one server.
type client struct {
	http    *http.Client
	url     string
	version string // of the program
}

// write sends an encoded request. The error is the network's; what the server
// said is the answer.
func (c *client) write(ctx context.Context, body []byte) (answer, error) {
	return c.ask(ctx, http.MethodPost, body)
}

// greet asks the server for nothing but its time of day. Any answer has it.
func (c *client) greet(ctx context.Context) (answer, error) { return c.ask(ctx, http.MethodHead, nil) }

func (c *client) ask(ctx context.Context, method string, body []byte) (answer, error) {
	ctx, cancel := context.WithTimeout(ctx, requestLimit)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, method, c.url, bytes.NewReader(body))
	if err != nil {
		return answer{}, fmt.Errorf("make the request: %w", err)
	}
	req.Header.Set("User-Agent", "tickover/"+c.version)
	if method == http.MethodPost {
		req.Header.Set("Content-Encoding", "snappy")
		req.Header.Set("Content-Type", "application/x-protobuf")
		req.Header.Set("X-Prometheus-Remote-Write-Version", "0.1.0")
	}
	resp, err := c.http.Do(req)
	if err != nil {
		return answer{}, err
	}
	defer resp.Body.Close()
	text, err := io.ReadAll(io.LimitReader(resp.Body, longestText))
	if err != nil && resp.StatusCode/100 != 2 {
		return answer{}, fmt.Errorf("read the answer: %w", err)
	}
	a := answer{status: resp.StatusCode, text: strings.TrimSpace(string(text)), after: retryAfter(resp.Header, time.Now())}
	a.date, _ = http.ParseTime(resp.Header.Get("Date")) // zero when not told
	return a, nil
}
