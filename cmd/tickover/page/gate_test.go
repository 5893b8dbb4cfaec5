package page

import (
	"context"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"
)

// visitor is a connection from an address.
type visitor struct {
	net.Conn
	from   string
	closed bool
}

func (v *visitor) RemoteAddr() net.Addr { return &net.TCPAddr{IP: net.ParseIP(v.from), Port: 4711} }
func (v *visitor) Close() error         { v.closed = true; return nil }

// comes hands visitors to a gate one by one.
type comes struct {
	net.Listener
	next net.Conn
}

func (c *comes) Accept() (net.Conn, error) {
	if v := c.next; v != nil {
		c.next = nil
		return v, nil
	}
	return nil, net.ErrClosed
}

// enter brings a visitor to a gate; nil when it was refused.
func enter(g *Gate, from string) (*visitor, *guest) {
	v := &visitor{from: from}
	g.Listener.(*comes).next = v
	if in, err := g.Accept(); err == nil {
		return v, in.(*guest)
	}
	return v, nil
}

// An address that has its share gives up its own oldest idle connection; when
// all places are taken the address with most does. One whose request is being
// answered never goes.
func TestTheOldestIdleConnectionGoesFirst(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		g := NewGate(&comes{}, 5, 3)
		at := func(from string) (*visitor, *guest) { time.Sleep(time.Second); return enter(g, from) }
		a1, answering := at("192.0.2.1")
		answering.occupy(1)
		a2, _ := at("192.0.2.1")
		a3, asked := at("192.0.2.1")
		asked.occupy(1)
		asked.occupy(-1) // idle since now
		a4, in := at("192.0.2.1")
		if in == nil || a1.closed || !a2.closed || a3.closed || a4.closed {
			t.Fatalf("the fourth of one address: %v %v %v %v", a1.closed, a2.closed, a3.closed, a4.closed)
		}
		b1, _ := at("192.0.2.2")
		b2, _ := at("192.0.2.2")
		c1, in := at("192.0.2.3")
		if in == nil || a1.closed || !a3.closed || a4.closed || b1.closed || b2.closed || c1.closed {
			t.Errorf("the sixth of all: %v %v %v %v %v %v", a1.closed, a3.closed, a4.closed, b1.closed, b2.closed, c1.closed)
		}
		for o := range g.guests {
			o.occupy(1)
		}
		if v, in := at("192.0.2.4"); in != nil || !v.closed {
			t.Error("a newcomer is let in although nothing is idle")
		}
		for o := range g.guests {
			o.occupy(-1)
		}
		in.Close()
		if in.Close(); len(g.guests) != 4 {
			t.Errorf("%d are counted after one left", len(g.guests))
		}
	})
}

// Connections that come in a burst push out the oldest of them: one that has
// just come has time to send its request, however many its address has. One
// that is idle for settling goes before all of these.
func TestABurstDoesNotPushOutWhoJustCame(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		g := NewGate(&comes{}, 6, 6)
		owner := func() *visitor { v, _ := enter(g, "192.0.2.1"); return v }
		strangers := []*visitor{}
		stranger := func() {
			v, _ := enter(g, fmt.Sprintf("198.51.100.%d", len(strangers)))
			strangers = append(strangers, v)
			time.Sleep(time.Millisecond)
		}
		stranger()
		stranger()
		stranger()
		first, second, third := owner(), owner(), owner()
		stranger()
		stranger()
		if first.closed || second.closed || third.closed || !strangers[0].closed || !strangers[1].closed || strangers[2].closed {
			t.Error("who came last goes before who came first")
		}
		time.Sleep(settling - 3*time.Millisecond)
		stranger() // strangers[2] is settled, the others not yet
		if !strangers[2].closed || first.closed {
			t.Error("one still settling goes before one that is idle longer")
		}
	})
}

// The daemon's server: a gate with few places in front of the page.
func gated(t *testing.T, most, share int) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	g := NewGate(l, most, share)
	server := &http.Server{Handler: Serving(New(partsOf(hatchery()), Options{Token: token})), ConnContext: g.ConnContext}
	go server.Serve(g)
	t.Cleanup(func() { server.Close() })
	return l.Addr().String()
}

// Connections that say nothing, that say half a request and that send a body
// slowly hold no place of those who ask.
func TestThePageIsReachedBehindManyWhoHoldConnections(t *testing.T) {
	address := gated(t, 20, 15)
	for n := range 100 {
		conn, err := net.Dial("tcp", address)
		if err != nil {
			t.Fatal(err)
		}
		defer conn.Close()
		switch n % 3 {
		case 1:
			fmt.Fprint(conn, "GET / HTTP/1.1\r\nHo")
		case 2:
			fmt.Fprint(conn, "POST /api/v1/notes HTTP/1.1\r\nHost: x\r\nContent-Type: application/x-www-form-urlencoded\r\nContent-Length: 900\r\n\r\ntext=")
		}
	}
	client := http.Client{Timeout: 5 * time.Second, Transport: &http.Transport{DisableKeepAlives: true}}
	for range 20 {
		answer, err := client.Get("http://" + address + "/api/v1/now")
		if err != nil || answer.StatusCode != 200 {
			t.Fatalf("%v %v", answer, err)
		}
		answer.Body.Close()
	}
}

// One address cannot take all seats: a listener from elsewhere gets the oldest
// of the address that has most.
func TestStreamsHaveAShareByAddress(t *testing.T) {
	s := seats{most: 4, share: 3}
	take := func(address string) (context.Context, bool) {
		ctx, _, ok := s.take(t.Context(), address)
		return ctx, ok
	}
	first, _ := take("a")
	take("a")
	third, _ := take("a")
	if _, ok := take("a"); ok {
		t.Error("a fourth of one address")
	}
	take("b")
	if _, ok := take("c"); !ok || first.Err() == nil || third.Err() != nil {
		t.Errorf("a newcomer: %v, the oldest %v, the newest %v", ok, first.Err(), third.Err())
	}
	if _, ok := take("b"); ok {
		t.Error("a second seat of b at the cost of a, which has two")
	}
	if n := s.len(); n != 4 {
		t.Errorf("%d seats are taken", n)
	}
}

func TestAWrongMethodIsSaid(t *testing.T) {
	h := ReadOnly(serve(hatchery(), Options{Token: token}))
	if w := ask(h, "POST", "/metrics", ""); w.Code != 405 || w.Header().Get("Allow") != "GET, HEAD" {
		t.Errorf("POST /metrics: %d, Allow %q", w.Code, w.Header().Get("Allow"))
	}
	h = serve(hatchery(), Options{Token: token})
	for _, c := range []struct{ method, path, allow string }{
		{"POST", "/api/v1/now", "GET, HEAD"}, {"DELETE", "/api/v1/alarms", "GET, HEAD"}, {"GET", "/api/v1/notes", "POST"}, {"PUT", "/", "GET, HEAD"},
		{"BREW", "/api/v1/runs/1/report", "GET, HEAD"}, {"OPTIONS", "/api/v1/alarms/oil.pressure.low/acknowledge", "POST"}, {"TRACE", "/alarms", "GET, HEAD"},
	} {
		if w := ask(h, c.method, c.path, ""); w.Code != 405 || w.Header().Get("Allow") != c.allow {
			t.Errorf("%s %s: %d, Allow %q, want %q", c.method, c.path, w.Code, w.Header().Get("Allow"), c.allow)
		}
	}
	if w := ask(h, "POST", "/api/v1/nothing", ""); w.Code != 404 {
		t.Errorf("an address that there is not: %d", w.Code)
	}
}

// A name that is not ours is refused: a stranger's page could let its own name
// lead here.
func TestAForeignNameIsRefused(t *testing.T) {
	next := http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {})
	for host, want := range map[string]int{
		"127.0.0.1:8485": 200, "localhost:8485": 200, "[::1]:8485": 200, "192.168.4.1": 200, "[fe80::1]": 200, "Skid": 200, "skid.local:8485": 200,
		"skid.lan.": 200, "skid7.example:8485": 200, "SKID7.example": 200, "a.shed.example": 200,
		"evil.example": 421, "skid.evil.example": 421, "skid.example": 421, "skid7.example.evil.org": 421, "127.0.0.1.evil.example": 421, "lan": 421, "shed.example": 421, "a.b.shed.example": 421,
	} {
		r := httptest.NewRequest("GET", "/", nil)
		r.Host = host
		w := httptest.NewRecorder()
		KnownHosts(next, []string{"skid", "skid7.example", "*.shed.example"}, false).ServeHTTP(w, r)
		if w.Code != want || want == 421 && !strings.Contains(w.Body.String(), "host names:") {
			t.Errorf("%s: %d %s, want %d", host, w.Code, w.Body, want)
		}
	}
	for _, proved := range []bool{true, false} {
		r := httptest.NewRequest("GET", "/", nil)
		r.Host = "prometheus-calls-it.example"
		r.Header.Set("Authorization", "Bearer x")
		w := httptest.NewRecorder()
		KnownHosts(next, nil, proved).ServeHTTP(w, r)
		if (w.Code == 200) != proved {
			t.Errorf("with a credential that is checked (%v): %d", proved, w.Code)
		}
	}
}

// slowCheck is a check of passwords that takes a second for each it has not
// seen, one after the other.
type slowCheck struct {
	one  chan struct{}
	next http.Handler
}

func (c *slowCheck) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	c.one <- struct{}{}
	time.Sleep(time.Second)
	<-c.one
	if _, pass, _ := r.BasicAuth(); pass != "right" {
		w.WriteHeader(http.StatusUnauthorized)
		return
	}
	c.next.ServeHTTP(w, r)
}

// A password that was right before is not kept waiting by a hundred strangers,
// nor by others at its own address; strangers do not wait without an end.
func TestAKnownPasswordPassesWhileStrangersGuess(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := NewPasswords()
		check := &slowCheck{one: make(chan struct{}, 1), next: p.Behind(http.HandlerFunc(func(http.ResponseWriter, *http.Request) {}))}
		h := p.Before(check)
		try := func(from, pass string) int {
			r := httptest.NewRequest("GET", "/", nil)
			r.RemoteAddr = from + ":4711"
			r.SetBasicAuth("shed", pass)
			w := httptest.NewRecorder()
			h.ServeHTTP(w, r)
			return w.Code
		}
		if got := try("192.0.2.1", "right"); got != 200 {
			t.Fatalf("the right password: %d", got)
		}
		var all sync.WaitGroup
		for n := range 100 {
			for _, from := range []string{fmt.Sprintf("198.51.100.%d", n), "192.0.2.1"} {
				all.Go(func() { try(from, fmt.Sprint("guess ", n)) })
			}
		}
		synctest.Wait()
		began := time.Now()
		for range 3 {
			if got := try("192.0.2.1", "right"); got != 200 {
				t.Errorf("the right password among strangers: %d", got)
			}
		}
		if took := time.Since(began); took > (mostTries+1)*3*time.Second {
			t.Errorf("it waited %v", took)
		}
		all.Wait()
		if took := time.Since(began); took > triesPatience+(mostTries+4)*time.Second {
			t.Errorf("strangers wait %v", took)
		}
		if len(p.tries.present) != 0 || len(p.tries.slots) != 0 || len(p.known) != 1 {
			t.Errorf("%d addresses and %d turns are left over, %d passwords known", len(p.tries.present), len(p.tries.slots), len(p.known))
		}
	})
}

// A stream holds no turn of the password's check.
func TestAStreamHoldsNoTurnOfThePasswordCheck(t *testing.T) {
	p := NewPasswords()
	during := -1
	h := p.Before(p.Behind(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { during = len(p.tries.slots) })))
	ask(h, "GET", "/", "", "Authorization", "Basic c2hlZDpyaWdodA==")
	if during != 0 {
		t.Errorf("%d turns are held while the answer is made", during)
	}
}

// 20 reports at once: two are made at a time, and no more than eight are in
// memory until they are taken.
func TestReportsAreMadeTwoAtATime(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := &counting{fakeRecord: eventful()}
		h := New(partsOf(s), Options{TrustLocal: true})
		var all sync.WaitGroup
		for range 18 {
			all.Go(func() {
				if w := ask(h, "GET", "/runs/1/report", ""); w.Code != 200 {
					t.Errorf("a report among many: %d", w.Code)
				}
			})
		}
		all.Wait()
		if s.most != 2 {
			t.Errorf("%d were made at a time", s.most)
		}
	})
}

// counting makes reports in a second and counts how many at once.
type counting struct {
	*fakeRecord
	mu        sync.Mutex
	now, most int
}

func (c *counting) Report(_ context.Context, w io.Writer, _, _ string) error {
	c.mu.Lock()
	c.now++
	c.most = max(c.most, c.now)
	c.mu.Unlock()
	time.Sleep(time.Second)
	c.mu.Lock()
	c.now--
	c.mu.Unlock()
	_, err := io.WriteString(w, "made")
	return err
}

func (s *seats) len() int {
	s.mu.Lock()
	defer s.mu.Unlock()
	return len(s.taken)
}
