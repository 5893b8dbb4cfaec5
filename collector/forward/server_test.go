package forward

import (
	"io"
	"math"
	"net/http"
	"net/http/httptest"
	"sync"
	"testing"
	"time"

	"github.com/klauspost/compress/snappy"
	"google.golang.org/protobuf/encoding/protowire"
)

// point is one stored value: a series' labels and its time.
type point struct {
	series string
	t      int64
}

// server is a remote-write receiver for tests. refuse looks at a request's
// samples and answers with a status and words; 0 takes them, all or none.
type server struct {
	*httptest.Server
	mu       sync.Mutex
	refuse   func([]point) (int, string)
	date     func() time.Time
	stored   map[point]float64
	again    int // samples that came twice
	requests int
}

func newServer(t *testing.T) *server {
	s := &server{stored: map[point]float64{}, date: time.Now, refuse: func([]point) (int, string) { return 0, "" }}
	s.Server = httptest.NewServer(s)
	t.Cleanup(s.Close)
	return s
}

func (s *server) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	s.mu.Lock()
	defer s.mu.Unlock()
	w.Header().Set("Date", s.date().UTC().Format(http.TimeFormat))
	if r.Method == http.MethodHead {
		w.WriteHeader(http.StatusMethodNotAllowed)
		return
	}
	s.requests++
	packed, _ := io.ReadAll(r.Body)
	raw, err := snappy.Decode(nil, packed)
	if err != nil || r.Header.Get("Content-Type") != "application/x-protobuf" || r.Header.Get("Content-Encoding") != "snappy" {
		http.Error(w, "not a remote write 1.0 request", http.StatusBadRequest)
		return
	}
	points, values := decodeRequest(raw)
	if status, words := s.refuse(points); status != 0 {
		http.Error(w, words, status)
		return
	}
	for i, p := range points {
		if _, there := s.stored[p]; there {
			s.again++
		}
		s.stored[p] = values[i]
	}
	w.WriteHeader(http.StatusNoContent)
}

func (s *server) count() int {
	s.mu.Lock()
	defer s.mu.Unlock()
	return len(s.stored)
}

// fields walks the fields of a message.
func fields(b []byte, each func(n protowire.Number, v []byte, x uint64)) {
	for len(b) > 0 {
		n, kind, size := protowire.ConsumeTag(b)
		b = b[size:]
		var v []byte
		var x uint64
		switch kind {
		case protowire.BytesType:
			v, size = protowire.ConsumeBytes(b)
		case protowire.Fixed64Type:
			x, size = protowire.ConsumeFixed64(b)
		case protowire.VarintType:
			x, size = protowire.ConsumeVarint(b)
		default:
			panic("a kind of field that no request has")
		}
		if size < 0 {
			panic(protowire.ParseError(size))
		}
		each(n, v, x)
		b = b[size:]
	}
}

// decodeRequest reads a WriteRequest by the message definitions of the
// remote write specification 1.0.
func decodeRequest(raw []byte) (points []point, values []float64) {
	fields(raw, func(_ protowire.Number, series []byte, _ uint64) {
		labels, last := "", ""
		fields(series, func(n protowire.Number, v []byte, _ uint64) {
			if n == 1 {
				var pair [3]string
				fields(v, func(n protowire.Number, v []byte, _ uint64) { pair[n] = string(v) })
				if pair[1] <= last {
					panic("labels are not in the order of their names")
				}
				last = pair[1]
				labels += pair[1] + "=" + pair[2] + ";"
				return
			}
			var p point
			var value float64
			fields(v, func(n protowire.Number, _ []byte, x uint64) {
				if n == 1 {
					value = math.Float64frombits(x)
				} else {
					p.t = int64(x)
				}
			})
			p.series = labels
			points, values = append(points, p), append(values, value)
		})
	})
	return points, values
}
