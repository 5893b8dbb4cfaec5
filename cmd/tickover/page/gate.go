package page

import (
	"context"
	"crypto/tls"
	"net"
	"net/http"
	"sync"
	"time"
)

// Gate lets connections in and bounds how many there are, in all and of one
// address. When there is no room the one that has been idle longest goes: of
// the newcomer's own address when that has its share, else of the address that
// has most. A connection is idle while no request of it is being answered; one
// that has sent nothing, or is slow to send, is idle. One that is idle for less
// than settling goes only when no other does: its request may be on its way. A
// newcomer is refused only when nothing is idle.
type Gate struct {
	net.Listener
	most, share int

	mu     sync.Mutex
	guests map[*guest]struct{}
}

// guest is one connection.
type guest struct {
	net.Conn
	gate    *Gate
	address string
	busy    int       // requests being answered
	since   time.Time // since when it is idle
}

// NewGate bounds a listener's connections.
func NewGate(l net.Listener, most, share int) *Gate {
	return &Gate{Listener: l, most: most, share: share, guests: map[*guest]struct{}{}}
}

// Accept implements net.Listener.
func (g *Gate) Accept() (net.Conn, error) {
	for {
		c, err := g.Listener.Accept()
		if err != nil {
			return nil, err
		}
		in := &guest{Conn: c, gate: g, address: addressOf(c.RemoteAddr().String()), since: time.Now()}
		out, ok := g.admit(in)
		if out != nil {
			out.Conn.Close() // its server notices when it reads
		}
		if ok {
			return in, nil
		}
		c.Close()
	}
}

// settling is the time in which a new connection sends its request, also on a
// busy board.
const settling = time.Second

// admit takes a guest in and returns the one that has to go for it, if any;
// false when there is no room.
func (g *Gate) admit(in *guest) (out *guest, ok bool) {
	g.mu.Lock()
	defer g.mu.Unlock()
	count := map[string]int{}
	for o := range g.guests {
		count[o.address]++
	}
	switch {
	case count[in.address] >= g.share:
		out = g.oldest(func(o *guest) bool { return o.address == in.address })
		ok = out != nil
	case len(g.guests) >= g.most:
		out = g.leastMissed(count)
		ok = out != nil
	default:
		ok = true
	}
	if out != nil {
		delete(g.guests, out)
	}
	if ok {
		g.guests[in] = struct{}{}
	}
	return out, ok
}

// leastMissed finds the oldest idle one of the address that has most
// connections, of those that are settled; when none is, the oldest idle one of
// all, whose request should have come first. Nil when none is idle.
func (g *Gate) leastMissed(count map[string]int) *guest {
	oldest := g.oldest(func(*guest) bool { return true })
	if oldest == nil || time.Since(oldest.since) < settling {
		return oldest
	}
	out := oldest
	for o := range g.guests {
		if o.busy > 0 || time.Since(o.since) < settling {
			continue
		}
		if more := count[o.address] - count[out.address]; more > 0 || more == 0 && o.since.Before(out.since) {
			out = o
		}
	}
	return out
}

// oldest finds who has been idle longest of some; nil when none is idle.
func (g *Gate) oldest(of func(*guest) bool) *guest {
	var found *guest
	for o := range g.guests {
		if o.busy == 0 && of(o) && (found == nil || o.since.Before(found.since)) {
			found = o
		}
	}
	return found
}

// Close implements net.Conn.
func (o *guest) Close() error {
	o.gate.mu.Lock()
	delete(o.gate.guests, o)
	o.gate.mu.Unlock()
	return o.Conn.Close()
}

// occupy notes that one more request is being answered, or one less.
func (o *guest) occupy(by int) {
	if o == nil { // in a test, or behind another listener
		return
	}
	o.gate.mu.Lock()
	defer o.gate.mu.Unlock()
	o.busy += by
	o.since = time.Now()
}

type guestKey struct{}

func guestOf(ctx context.Context) *guest {
	o, _ := ctx.Value(guestKey{}).(*guest)
	return o
}

// ConnContext is the server's of that name: it lets a request find its
// connection.
func (g *Gate) ConnContext(ctx context.Context, c net.Conn) context.Context {
	if t, ok := c.(*tls.Conn); ok {
		c = t.NetConn()
	}
	if o, ok := c.(*guest); ok {
		return context.WithValue(ctx, guestKey{}, o)
	}
	return ctx
}

// Serving notes which connections have a request being answered.
func Serving(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		o := guestOf(r.Context())
		o.occupy(1)
		defer o.occupy(-1)
		next.ServeHTTP(w, r)
	})
}
