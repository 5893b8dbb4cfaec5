package page

import (
	"bufio"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
	"testing/synctest"
	"time"
)

// startNote begins a note with a photo and never ends it.
func startNote(t *testing.T, address string, header ...string) net.Conn {
	t.Helper()
	conn, err := net.Dial("tcp", address)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close() })
	fmt.Fprintf(conn, "POST /api/v1/notes HTTP/1.1\r\nHost: x\r\nContent-Type: application/x-www-form-urlencoded\r\nContent-Length: 900000\r\n%s\r\n\r\ntext=",
		strings.Join(header, "\r\n"))
	return conn
}

func status(t *testing.T, conn net.Conn) int {
	t.Helper()
	conn.SetReadDeadline(time.Now().Add(5 * time.Second))
	answer, err := http.ReadResponse(bufio.NewReader(conn), nil)
	if err != nil {
		t.Fatal(err)
	}
	return answer.StatusCode
}

// A token in a header is checked before the body is read, so strangers hold no
// slot of those who have it.
func TestSlotsAreTakenAfterTheCredentialIsChecked(t *testing.T) {
	server := httptest.NewServer(New(partsOf(hatchery()), Options{Token: token}))
	t.Cleanup(server.Close)
	address := server.Listener.Addr().String()
	if got := status(t, startNote(t, address, "Authorization: Bearer guess")); got != 401 {
		t.Errorf("a wrong token before an endless body: %d", got)
	}
	first := strings.Repeat("x", largestBody+1) // as much as shows that the sender is quick
	for range unprovenShare {
		io.WriteString(startNote(t, address), first)
	}
	time.Sleep(100 * time.Millisecond) // until the server has begun with them
	another := startNote(t, address)
	io.WriteString(another, first)
	if got := status(t, another); got != 503 {
		t.Errorf("one stranger's body too many: %d", got)
	}
	for _, name := range []string{tokenHeader, "Authorization"} {
		req, _ := http.NewRequest("POST", server.URL+"/api/v1/notes", strings.NewReader(url.Values{"text": {"leak"}}.Encode()))
		req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		req.Header.Set(name, map[bool]string{true: "Bearer "}[name == "Authorization"]+token)
		answer, err := http.DefaultClient.Do(req)
		if err != nil || answer.StatusCode != 200 {
			t.Fatalf("the right token in %s next to strangers: %v %v", name, answer, err)
		}
		answer.Body.Close()
	}
}

// Sixty senders with the right token who drip their bodies hold no slot: a note
// and a photo of a quick sender are taken at once, next to them. They are cut
// when their time is over.
func TestSlowBodiesWithTheRightTokenHoldNoSlot(t *testing.T) {
	server := httptest.NewServer(serve(hatchery(), Options{Token: token}))
	t.Cleanup(server.Close)
	address := server.Listener.Addr().String()
	var slow []net.Conn
	for range 60 {
		slow = append(slow, startNote(t, address, tokenHeader+": "+token))
	}
	time.Sleep(100 * time.Millisecond) // until the server has begun with them
	began := time.Now()
	for _, size := range []int{40, largestNote / 2} {
		req, _ := http.NewRequest("POST", server.URL+"/api/v1/notes", strings.NewReader("text=leak&unused="+strings.Repeat("x", size)))
		req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		req.Header.Set(tokenHeader, token)
		answer, err := http.DefaultClient.Do(req)
		if err != nil || answer.StatusCode != 200 || time.Since(began) > 2*time.Second {
			t.Fatalf("%d bytes next to slow bodies, after %v: %v %v", size, time.Since(began), answer, err)
		}
		answer.Body.Close()
	}
	slow[0].SetReadDeadline(began.Add(bodyTime(largestBody, largestNote) + 3*time.Second))
	answer, err := http.ReadResponse(bufio.NewReader(slow[0]), nil)
	if err != nil || answer.StatusCode != http.StatusRequestTimeout {
		t.Errorf("a slow body: %v %v", answer, err)
	}
}

// A sender that was quick until it had a slot and then stops is cut 3 s later;
// one that brings 16 KiB within each 3 s keeps its slot until its whole time is
// over.
func TestASenderThatStopsLosesItsSlot(t *testing.T) {
	for _, c := range []struct {
		pause time.Duration // between 16 KiB and the next
		want  time.Duration // when it is cut
	}{{time.Hour, 3 * time.Second}, {3*time.Second + time.Millisecond, 3 * time.Second}, {2 * time.Second, bodyTime(900000, 0)}} {
		synctest.Test(t, func(t *testing.T) {
			ours, theirs := net.Pipe()
			server := &http.Server{Handler: serve(hatchery(), Options{TrustLocal: true})}
			go server.Serve(&oneConnection{conn: ours, end: make(chan struct{})})
			began, over := time.Now(), make(chan struct{})
			go func() {
				fmt.Fprintf(theirs, "POST /api/v1/notes HTTP/1.1\r\nHost: x\r\nContent-Type: application/x-www-form-urlencoded\r\nContent-Length: 900000\r\n\r\n")
				for {
					if _, err := io.WriteString(theirs, strings.Repeat("x", 16<<10)); err != nil {
						return
					}
					select {
					case <-time.After(c.pause):
					case <-over:
						return
					}
				}
			}()
			answer, err := http.ReadResponse(bufio.NewReader(theirs), nil)
			if err != nil {
				t.Fatal(err)
			}
			if took := time.Since(began); answer.StatusCode != http.StatusRequestTimeout || took != c.want {
				t.Errorf("16 KiB every %v: after %v %s, want it cut after %v", c.pause, took, answer.Status, c.want)
			}
			close(over)
			theirs.Close()
			server.Close()
			time.Sleep(time.Second) // until the server is done with the connection
		})
	}
}

// A body has 5 s and one more for each 32 KiB; one without a length has the time
// of the longest.
func TestABodyHasATimeByItsSize(t *testing.T) {
	for _, c := range []struct {
		announced, most int64
		want            time.Duration
	}{{0, largestBody, 5 * time.Second}, {32 << 10, largestNote, 6 * time.Second}, {-1, 64 << 10, 7 * time.Second}} {
		if got := bodyTime(c.announced, c.most); got != c.want {
			t.Errorf("%d of %d bytes: %v, want %v", c.announced, c.most, got, c.want)
		}
	}
	if longest := bodyTime(-1, largestNote); longest > time.Minute {
		t.Errorf("the longest is %v", longest)
	}
}

// A sender that stops in the middle is answered when its time is over.
func TestASlowBodyIsEnded(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ours, theirs := net.Pipe()
		server := &http.Server{Handler: New(partsOf(hatchery()), Options{TrustLocal: true})}
		go server.Serve(&oneConnection{conn: ours, end: make(chan struct{})})
		began := time.Now()
		go io.WriteString(theirs, "POST /api/v1/alarms/oil.pressure.low/acknowledge HTTP/1.1\r\nHost: x\r\nContent-Length: 100\r\nContent-Type: application/x-www-form-urlencoded\r\n\r\nwho=")
		answer, err := http.ReadResponse(bufio.NewReader(theirs), nil)
		if err != nil {
			t.Fatal(err)
		}
		if took := time.Since(began); answer.StatusCode != http.StatusRequestTimeout || !answer.Close || took > 6*time.Second {
			t.Errorf("after %v: %s, close %v", took, answer.Status, answer.Close)
		}
		theirs.Close()
		server.Close()
	})
}

// oneConnection is a listener with one connection.
type oneConnection struct {
	conn net.Conn
	end  chan struct{}
}

func (l *oneConnection) Accept() (net.Conn, error) {
	if c := l.conn; c != nil {
		l.conn = nil
		return c, nil
	}
	<-l.end
	return nil, net.ErrClosed
}

func (l *oneConnection) Close() error   { close(l.end); return nil }
func (l *oneConnection) Addr() net.Addr { return &net.TCPAddr{} }

// Waiting ends, and how many wait is bounded: in all and of one address.
func TestATurnstileBoundsWhoWaits(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		stile := newTurnstile(1, 3, 2)
		try := func(who string) error { _, err := stile.enter(t.Context(), who, time.Second); return err }
		first, err := stile.enter(t.Context(), "a", time.Second)
		if err != nil {
			t.Fatal(err)
		}
		for _, who := range []string{"a", "b", "b"} {
			go try(who)
		}
		synctest.Wait()
		began := time.Now()
		for _, who := range []string{"a", "c"} {
			if err := try(who); err != errNoTurn || time.Since(began) != 0 {
				t.Errorf("%s, with three waiting: %v after %v", who, err, time.Since(began))
			}
		}
		time.Sleep(2 * time.Second)
		if err := try("c"); err != errNoTurn || time.Since(began) != 3*time.Second {
			t.Errorf("a wait ends with %v after %v", err, time.Since(began))
		}
		if first.leave(); len(stile.present) != 0 || stile.waiting != 0 {
			t.Errorf("%v are still counted, %d wait", stile.present, stile.waiting)
		}
		if err := try("c"); err != nil {
			t.Error(err)
		}
	})
}
