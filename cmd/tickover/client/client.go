package client

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/url"
	"os"
	"strings"
	"time"

	"tickover/cmd/tickover/api"
	"tickover/cmd/tickover/page"
	"tickover/cmd/tickover/record"
	"tickover/collector/store"
	"tickover/model"
)

// StateFolder is the folder that reading commands look into.
type StateFolder struct {
	State string `help:"Folder that holds the store." default:"/var/lib/tickover" placeholder:"DIR"`

	warnings io.Writer // nil drops them
}

// AfterApply takes the stream that warnings go to from the command line.
func (f *StateFolder) AfterApply(warnings io.Writer) error {
	f.warnings = warnings
	return nil
}

// Client answers questions about a state folder: the running daemon does
// when there is one, the files themselves otherwise. Both speak the page's
// API, so the answers are the same.
type Client struct {
	client *http.Client
	Close  func() error
	alive  func(context.Context) error // whether the daemon answers at all; nil without one
}

// Hangs is how long a daemon is waited for that answers nothing at all. One that
// works on a long answer says that it is alive meanwhile.
const Hangs = 10 * time.Second

var errHangs = &model.Fault{Code: model.RuntimeFault, Err: errors.New("the daemon has the store but does not answer"),
	Hint: "see its state with systemctl status tickover, restart it with systemctl restart tickover. An entry may not be saved: check before you send it again"}

// How long a store is waited for that somebody holds and nobody answers for,
// and how often it is tried: a daemon starts, stops, or plays its past day.
const (
	handover      = 30 * time.Second
	handoverPause = 200 * time.Millisecond
)

// Open asks the daemon's socket first. Without a daemon it opens the store,
// for writing when write is set.
func (f StateFolder) Open(write bool) (*Client, error) {
	for end := time.Now().Add(handover); ; time.Sleep(handoverPause) {
		a, err := f.openNow(write)
		if !errors.Is(err, store.ErrLocked) || time.Now().After(end) {
			return a, err
		}
	}
}

func (f StateFolder) openNow(write bool) (*Client, error) {
	if conn, err := net.DialTimeout("unix", api.SocketPath(f.State), time.Second); err == nil {
		return OverSocket(api.SocketPath(f.State), conn), nil
	}
	if at, err := os.Stat(f.State); err == nil && at.Mode().IsRegular() {
		return f.openBundle(write)
	}
	s, err := store.Open(store.Options{Dir: f.State, ReadOnly: !write, Existing: true, Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		return nil, fmt.Errorf("open the store in %s: %w", f.State, err)
	}
	return f.inside(record.FromStore(s), s.Close), nil
}

// inside answers from the files without a network. Damage of the newest
// configuration is a warning: everything else can still be read.
func (f StateFolder) inside(src *record.Reader, done func() error) *Client {
	if err := src.Damage(); err != nil && f.warnings != nil {
		fmt.Fprintf(f.warnings, "warning: %v\nhint: %s\n", err, model.HintOf(err))
	}
	handler := page.New(PartsOf(src), page.Options{TrustLocal: true, Version: api.Version(), Log: slog.New(slog.DiscardHandler)})
	return &Client{client: &http.Client{Transport: inProcess{handler}}, Close: done}
}

// PartsOf serves every part of the page from what is on record.
func PartsOf(r *record.Reader) page.Parts {
	return page.Parts{Live: r, Runs: r, Timeline: r, Boxes: r, Alarms: r, Trends: r, Files: r,
		Notes: r, Measurements: r, Wiring: r}
}

// openBundle opens a bundle, to read only.
func (f StateFolder) openBundle(write bool) (*Client, error) {
	if write {
		return nil, &model.Fault{Code: model.UsageFault, Err: fmt.Errorf("%s is a bundle, which is read only", f.State), Hint: "name the state folder with --state"}
	}
	src, done, err := record.OpenBundle(f.State)
	if err != nil {
		return nil, err
	}
	return f.inside(src, done), nil
}

// OverSocket asks the daemon. Its first question goes over the connection
// that is open already, if any: a daemon that stops answers who has connected,
// and a second connection would find nobody.
func OverSocket(path string, first net.Conn) *Client {
	connections := make(chan net.Conn, 1)
	if first != nil {
		connections <- first
	}
	transport := &http.Transport{DialContext: func(ctx context.Context, _, _ string) (net.Conn, error) {
		select {
		case conn := <-connections:
			return conn, nil
		default:
			var d net.Dialer
			return d.DialContext(ctx, "unix", path)
		}
	}}
	a := &Client{client: &http.Client{Transport: transport}, alive: func(ctx context.Context) error { return knock(ctx, path) }}
	a.Close = func() error {
		select {
		case conn := <-connections: // nothing was asked
			conn.Close()
		default:
		}
		transport.CloseIdleConnections()
		return nil
	}
	return a
}

// knock asks the daemon whether it is alive, over a connection of its own. It
// fails only when nothing comes: a daemon that stops lets nobody in any more, and
// still answers who is in.
func knock(ctx context.Context, path string) error {
	ctx, stop := context.WithTimeout(ctx, Hangs)
	defer stop()
	once := &http.Client{Transport: &http.Transport{DisableKeepAlives: true, DialContext: func(ctx context.Context, _, _ string) (net.Conn, error) {
		var d net.Dialer
		return d.DialContext(ctx, "unix", path)
	}}}
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, "http://tickover/healthz", nil)
	if err != nil {
		return err
	}
	resp, err := once.Do(req)
	if err == nil {
		return resp.Body.Close()
	}
	if ctx.Err() == context.DeadlineExceeded {
		return errHangs
	}
	return nil
}

// watch ends a question to a daemon that hangs, whatever the question waits for.
func (a *Client) watch(ctx context.Context) (watched context.Context, stop func()) {
	watched, end := context.WithCancelCause(ctx)
	if a.alive == nil {
		return watched, func() { end(nil) }
	}
	go func() {
		for watched.Err() == nil {
			began := time.Now()
			if err := a.alive(watched); err != nil && watched.Err() == nil {
				end(err)
			}
			select {
			case <-watched.Done():
			case <-time.After(Hangs - time.Since(began)):
			}
		}
	}()
	return watched, func() { end(nil) }
}

// Get copies the answer to a question to w.
func (a *Client) Get(ctx context.Context, w io.Writer, path string, query url.Values) error {
	return a.Do(ctx, http.MethodGet, path+"?"+query.Encode(), nil, w)
}

// List decodes the JSON answer to a question.
func (a *Client) List(ctx context.Context, path string, query url.Values, into any) error {
	var body strings.Builder
	if err := a.Get(ctx, &body, path, query); err != nil {
		return err
	}
	return json.Unmarshal([]byte(body.String()), into)
}

// Post asks for something to be done.
func (a *Client) Post(ctx context.Context, path string, form url.Values) error {
	return a.Do(ctx, http.MethodPost, path, strings.NewReader(form.Encode()), io.Discard)
}

func (a *Client) Do(ctx context.Context, method, path string, body io.Reader, w io.Writer) error {
	ctx, stop := a.watch(ctx)
	defer stop()
	req, err := http.NewRequestWithContext(ctx, method, "http://tickover"+path, body)
	if err != nil {
		return err
	}
	if body != nil {
		req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	}
	resp, err := a.client.Do(req)
	if err != nil {
		return whyUnanswered(ctx, "ask the daemon", err)
	}
	defer resp.Body.Close()
	if resp.StatusCode >= 300 {
		return apiError(resp)
	}
	if _, err = io.Copy(w, resp.Body); err != nil {
		return whyUnanswered(ctx, "read the answer", err)
	}
	return nil
}

// whyUnanswered says why a question failed: that the daemon hangs, when it does.
func whyUnanswered(ctx context.Context, what string, err error) error {
	if cause := context.Cause(ctx); errors.Is(cause, errHangs) {
		return cause
	}
	return fmt.Errorf("%s: %w", what, err)
}

func apiError(resp *http.Response) error {
	var said struct{ Error, Hint string }
	if err := json.NewDecoder(io.LimitReader(resp.Body, 1<<16)).Decode(&said); err != nil || said.Error == "" {
		said.Error = resp.Status
	}
	code := model.RuntimeFault
	if resp.StatusCode == http.StatusNotFound || resp.StatusCode == http.StatusBadRequest {
		code = model.UsageFault
	}
	return &model.Fault{Code: code, Err: errors.New(said.Error), Hint: said.Hint}
}

// inProcess hands requests to a handler without a network.
type inProcess struct{ handler http.Handler }

// RoundTrip implements http.RoundTripper.
func (t inProcess) RoundTrip(req *http.Request) (*http.Response, error) {
	if req.Body == nil {
		req.Body = http.NoBody
	}
	r, w := io.Pipe()
	p := &pipeWriter{header: http.Header{}, body: w, ready: make(chan struct{})}
	go func() {
		t.handler.ServeHTTP(p, req)
		p.WriteHeader(http.StatusOK)
		w.Close()
	}()
	<-p.ready
	return &http.Response{
		Status: http.StatusText(p.code), StatusCode: p.code, Header: p.sent, Body: r, Request: req,
		Proto: "HTTP/1.1", ProtoMajor: 1, ProtoMinor: 1, ContentLength: -1,
	}, nil
}

// pipeWriter is the handler's side of inProcess.
type pipeWriter struct {
	header, sent http.Header
	body         *io.PipeWriter
	code         int
	ready        chan struct{}
}

func (p *pipeWriter) Header() http.Header { return p.header }

func (p *pipeWriter) WriteHeader(code int) {
	if p.code == 0 {
		p.code, p.sent = code, p.header.Clone()
		close(p.ready)
	}
}

// CutOff ends an answer that was begun with an error: no network lies between
// that only a panic of the handler could break.
func (p *pipeWriter) CutOff(err error) { p.body.CloseWithError(err) }

func (p *pipeWriter) Write(b []byte) (int, error) {
	p.WriteHeader(http.StatusOK)
	return p.body.Write(b)
}
