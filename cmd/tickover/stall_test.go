package main

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"tickover/alarms"
	"tickover/cmd/tickover/client"
	"tickover/cmd/tickover/daemon"
	"tickover/cmd/tickover/page"
	"tickover/cmd/tickover/record"
	"tickover/collector"
	"tickover/collector/store"
	"tickover/config"
	"tickover/model"
)

// steadyLine answers every question after 20 ms.
type steadyLine struct{ model.LineHealth }

func (*steadyLine) Open(context.Context) error { return nil }

func (*steadyLine) Close() error { return nil }

func (l *steadyLine) Health() model.LineHealth { return l.LineHealth }

func (*steadyLine) Read(_ context.Context, q model.ReadRequest) (model.Answer, error) {
	time.Sleep(20 * time.Millisecond)
	words := make([]uint16, q.Count)
	for i := range words {
		words[i] = 2300 + uint16(time.Now().Unix()%3)
	}
	return model.Answer{Words: words}, nil
}

// pipes listens on connections without any buffer: who does not read blocks
// the writer at once.
type pipes struct {
	conns chan net.Conn
	asked atomic.Int32 // so many requests
	once  sync.Once
}

func (p *pipes) Accept() (net.Conn, error) {
	c, ok := <-p.conns
	if !ok {
		return nil, net.ErrClosed
	}
	return c, nil
}

func (p *pipes) Close() error { p.once.Do(func() { close(p.conns) }); return nil }

func (p *pipes) Addr() net.Addr { return &net.UnixAddr{Name: "pipes"} }

// from is a connection from an address of its own: exports have a share by
// address, which is not what is tested here.
type from struct {
	net.Conn
	address net.TCPAddr
}

func (f from) RemoteAddr() net.Addr { return &f.address }

// ask sends a request and leaves the answer to the caller to read, or not.
func (p *pipes) ask(path string) net.Conn {
	mine, theirs := net.Pipe()
	n := p.asked.Add(1)
	p.conns <- from{theirs, net.TCPAddr{IP: net.IPv4(10, 0, byte(n>>8), byte(n)), Port: 1024}}
	fmt.Fprintf(mine, "GET %s HTTP/1.1\r\nHost: skid\r\n\r\n", path)
	return mine
}

// polled is a line that is polled twice a second, the store and the page, all
// on the bubble's clock.
type polled struct {
	*record.Reader
	carrier *collector.Collector
	pages   *pipes
	server  *http.Server
	stop    context.CancelFunc
	done    chan struct{}
}

const stallConfig = `
lines: [{name: skid, serial: /dev/none}]
devices:
  - name: meter
    line: skid
    unit: 1
    every: 500 ms
    points:
      - {point: frequency, register: input 0, one count is: 0.01 Hz}
      - {point: voltage.l1n, register: input 1, one count is: 0.1 V}
      - {point: oil.pressure, register: input 2, one count is: 0.01 bar}
`

// startPolled runs everything; slowed is what each scan costs the carrier.
func startPolled(t *testing.T, slowed time.Duration) *polled {
	t.Helper()
	cfg, err := config.Parse("stall.yaml", []byte(stallConfig))
	if err != nil {
		t.Fatal(err)
	}
	kept, err := store.Open(store.Options{Dir: t.TempDir(), KernelBoot: "stall", Points: cfg.Setup.Points(), Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	began := time.Now()
	now := func() model.Instant { return model.Instant{Boot: kept.Boot(), Offset: time.Since(began)} }
	s := &polled{pages: &pipes{conns: make(chan net.Conn)}, done: make(chan struct{})}
	machine := alarms.New(nil)
	s.carrier = collector.New(collector.Parts{Setup: cfg.Setup, Lines: map[string]collector.Line{"skid": &steadyLine{}}, Judge: machine, Keep: kept,
		Now: now, Log: slog.New(slog.DiscardHandler), Derive: func(*model.Scan) *model.StateChange { time.Sleep(slowed); return nil }})
	s.Reader = record.NewLive(kept, cfg.Setup, s.carrier, machine)
	s.server = daemon.NewServer(page.New(client.PartsOf(s.Reader), page.Options{Now: now}), slog.New(slog.DiscardHandler))
	ctx, stop := context.WithCancel(context.Background())
	s.stop = stop
	go func() { s.carrier.Run(ctx); close(s.done) }()
	go s.server.Serve(s.pages)
	return s
}

// end stops polling, then everything else, and returns how many scans were
// kept and how many rounds were late.
func (s *polled) end(t *testing.T) (scans int, late uint64) {
	t.Helper()
	s.stop()
	<-s.done
	s.server.Close()
	for _, l := range s.carrier.Latest().Lines {
		late += l.Overruns
	}
	for _, err := range s.Store.Scans(model.Query{}) {
		if err != nil {
			t.Error(err)
			continue
		}
		scans++
	}
	if err := s.Store.Close(); err != nil {
		t.Error(err)
	}
	return scans, late
}

// drain reads an answer to its end.
func drain(c net.Conn) int64 {
	resp, err := http.ReadResponse(bufio.NewReader(c), nil)
	if err != nil {
		return 0
	}
	n, _ := io.Copy(io.Discard, resp.Body)
	return n
}

// Fifty pages that do not read, as many that do, dropped streams, and exports
// that are taken slowly, not at all or at once: the line is polled on time, and
// every scan is kept.
func TestNoReaderStallsPolling(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := startPolled(t, 0)
		time.Sleep(time.Minute) // something to export
		for i := range 50 {
			s.pages.ask("/api/v1/stream?view=page") // takes nothing, not even the head
			c := s.pages.ask("/api/v1/stream")
			go drain(c)
			go func() { time.Sleep(time.Duration(i) * 500 * time.Millisecond); s.pages.ask("/api/v1/stream").Close() }()
		}
		for range 3 { // within the number of exports that go on at once
			s.pages.ask("/api/v1/export")
			slow := s.pages.ask("/api/v1/export")
			go func() {
				for one := make([]byte, 64); ; time.Sleep(time.Second) {
					if _, err := slow.Read(one); err != nil {
						return
					}
				}
			}()
			s.pages.ask("/api/v1/events")
			s.pages.ask("/")
		}
		whole := s.pages.ask("/api/v1/export")
		if n := drain(whole); n < 5_000 {
			t.Errorf("an export beside slow readers has %d bytes", n)
		}
		time.Sleep(time.Minute)
		scans, late := s.end(t)
		if want := 2 * 60 * 2; late != 0 || scans < want || scans > want+2 {
			t.Errorf("%d scans kept, want %d; %d rounds late", scans, want, late)
		}
	})
}

// The same without readers, but with a carrier that takes longer than the
// interval: the counters do tell a stall.
func TestAStallWouldBeCounted(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := startPolled(t, 1200*time.Millisecond)
		time.Sleep(10 * time.Second)
		if scans, late := s.end(t); late == 0 || scans > 12 {
			t.Errorf("%d scans, %d late: a stall is not seen", scans, late)
		}
	})
}
