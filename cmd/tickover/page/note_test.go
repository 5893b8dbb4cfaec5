package page

import (
	"bytes"
	"context"
	"encoding/base64"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"image"
	"image/jpeg"
	"io"
	"log/slog"
	"mime/multipart"
	"net"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"tickover/cmd/tickover/api"
)

// jpegHead is a small JPEG picture.
var jpegHead = func() []byte {
	var b bytes.Buffer
	if err := jpeg.Encode(&b, image.NewGray(image.Rect(0, 0, 8, 8)), nil); err != nil {
		panic(err)
	}
	return b.Bytes()
}()

// pngOf is a PNG file's heading for a picture of a size; nothing of it follows.
func pngOf(width, height uint32) string {
	head := binary.BigEndian.AppendUint32(binary.BigEndian.AppendUint32([]byte("IHDR"), width), height)
	head = append(head, 8, 0, 0, 0, 0)
	b := append([]byte("\x89PNG\r\n\x1a\n\x00\x00\x00\x0d"), head...)
	return base64.StdEncoding.EncodeToString(binary.BigEndian.AppendUint32(b, crc32.ChecksumIEEE(head)))
}

func TestRemarkIsOneTap(t *testing.T) {
	s := hatchery()
	h := serve(s, Options{Token: token})
	form := url.Values{"remark": {"white smoke"}, "who": {"Marta"}, "token": {token}, "ago_seconds": {"61.5"}}
	if w := ask(h, "POST", "/api/v1/remarks", form.Encode()); w.Code != 200 || s.notes[0].Ago != 61500*time.Millisecond || !s.notes[0].Remark {
		t.Fatalf("%d %s: %+v", w.Code, w.Body, s.notes)
	}
	for field, bad := range map[string][]string{"remark": {"", "purple smoke"}, "ago_seconds": {"-1", "NaN", "1e9", "yesterday"}} {
		for _, value := range bad {
			wrong := url.Values{"remark": {"knock"}, "token": {token}}
			wrong.Set(field, value)
			if field == "remark" || value != "" {
				if w := ask(h, "POST", "/api/v1/remarks", wrong.Encode()); w.Code != 400 {
					t.Errorf("%s %q: %d", field, value, w.Code)
				}
			}
		}
	}
	if len(s.notes) != 1 {
		t.Errorf("%d remarks kept", len(s.notes))
	}
}

// slowCard keeps notes when it is released, and fails on request.
type slowCard struct {
	*fakeRecord
	outcome chan error
}

func (s slowCard) Note(ctx context.Context, said api.Note) (uint64, error) {
	select {
	case err := <-s.outcome:
		if err != nil {
			return 0, err
		}
		return s.fakeRecord.Note(ctx, said)
	case <-ctx.Done():
		return 0, ctx.Err()
	}
}

// The same note sent again while the first try is still being written is
// answered with what becomes of the first: 200 and its number, or the failure.
// The first sender may be gone meanwhile.
func TestANoteSentAgainWhileItIsWrittenWaitsForTheOutcome(t *testing.T) {
	for _, fault := range []error{nil, errors.New("card full")} {
		synctest.Test(t, func(t *testing.T) {
			s := slowCard{hatchery(), make(chan error)}
			h := New(partsOf(s), Options{TrustLocal: true})
			gone, leave := context.WithCancel(t.Context())
			go func() {
				r := httptest.NewRequest("POST", "/api/v1/notes", strings.NewReader("text=leak&key=k1")).WithContext(gone)
				r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
				h.ServeHTTP(httptest.NewRecorder(), r)
			}()
			synctest.Wait()
			var answers [2]*httptest.ResponseRecorder
			var all sync.WaitGroup
			for i := range answers {
				all.Go(func() { answers[i] = ask(h, "POST", "/api/v1/notes", "text=leak&key=k1") })
			}
			synctest.Wait()
			if answers[0] != nil || answers[1] != nil {
				t.Fatal("a note is answered while its first try is being written")
			}
			leave()
			s.outcome <- fault
			all.Wait()
			for _, w := range answers {
				if fault != nil && w.Code != 500 || fault == nil && (w.Code != 200 || decode[map[string]string](t, w)["seq"] != "1") {
					t.Errorf("after %v the answer is %d %s", fault, w.Code, w.Body)
				}
			}
			if fault != nil {
				go func() { s.outcome <- nil }()
				if w := ask(h, "POST", "/api/v1/notes", "text=leak&key=k1"); w.Code != 200 {
					t.Errorf("a try after the failure: %d", w.Code)
				}
			}
			if len(s.said) != 1 {
				t.Errorf("%d notes kept", len(s.said))
			}
		})
	}
}

// Of many notes the oldest keys are forgotten, but none whose note is still
// being written.
func TestKeysAreForgottenOldestFirst(t *testing.T) {
	var s seenKeys
	calls := 0
	keep := func() (uint64, error) { calls++; return uint64(calls), nil }
	pending, _ := s.begin("pending")
	for n := range mostKeys {
		s.once(t.Context(), strconv.Itoa(n), keep, nil)
	}
	if a, first := s.begin("pending"); first || a != pending {
		t.Error("a note that is being written is forgotten")
	}
	if s.once(t.Context(), "1", keep, nil); calls != mostKeys {
		t.Error("a note among the newest 499 is kept twice")
	}
	if s.once(t.Context(), "0", keep, nil); calls != mostKeys+1 || len(s.tries) != mostKeys || len(s.order) != mostKeys {
		t.Errorf("%d calls, %d keys remembered", calls, len(s.tries))
	}
}

func TestWordsSentAgainAreKeptOnce(t *testing.T) {
	s := hatchery()
	h := serve(s, Options{TrustLocal: true})
	s.broken = errors.New("card full")
	if w := ask(h, "POST", "/api/v1/notes", "text=leak&key=k1"); w.Code != 500 {
		t.Fatalf("a note that is not kept: %d", w.Code)
	}
	s.broken, s.said = nil, nil
	for range 3 {
		if w := ask(h, "POST", "/api/v1/notes", "text=leak&key=k1"); w.Code != 200 || decode[map[string]string](t, w)["seq"] != "1" {
			t.Errorf("%d %s", w.Code, w.Body)
		}
	}
	ask(h, "POST", "/api/v1/notes", "text=leak&key=k2")
	ask(h, "POST", "/api/v1/notes", "text=leak")
	if len(s.said) != 3 {
		t.Errorf("kept %q", s.said)
	}
}

func TestPhotosComeAsFileOrBase64(t *testing.T) {
	s := hatchery()
	h := serve(s, Options{TrustLocal: true})
	var body bytes.Buffer
	m := multipart.NewWriter(&body)
	m.WriteField("text", "gauge")
	part, _ := m.CreateFormFile("photo", "../../gauge.jpg")
	part.Write(jpegHead)
	m.Close()
	if w := ask(h, "POST", "/api/v1/notes", body.String(), "Content-Type", m.FormDataContentType()); w.Code != 200 || !bytes.Equal(s.notes[0].Photo, jpegHead) {
		t.Errorf("a form's file: %d %s", w.Code, w.Body)
	}
	text := "data:image/jpeg;base64," + base64.StdEncoding.EncodeToString(jpegHead)
	if w := ask(h, "POST", "/api/v1/notes", url.Values{"photo": {text}}.Encode()); w.Code != 200 || !bytes.Equal(s.notes[1].Photo, jpegHead) {
		t.Errorf("base64: %d %s", w.Code, w.Body)
	}
	for name, c := range map[string]struct {
		photo string
		code  int
	}{
		"no base64":  {"data:image/jpeg;base64,@@", 400},
		"a script":   {base64.StdEncoding.EncodeToString([]byte("<script>alert(1)</script>")), 415},
		"an SVG":     {base64.StdEncoding.EncodeToString([]byte(`<svg xmlns="http://www.w3.org/2000/svg"/>`)), 415},
		"too large":  {base64.StdEncoding.EncodeToString(append(jpegHead, make([]byte, largestPhoto)...)), 413},
		"a mountain": {strings.Repeat("A", 3<<20), 413},
		"no picture": {base64.StdEncoding.EncodeToString([]byte("\xff\xd8\xff\xe0photo")), 415},
		"24 million": {pngOf(6000, 4000), 200},
		"one row on": {pngOf(6000, 4001), 413},
		"a bomb":     {pngOf(60_000, 60_000), 413},
	} {
		if w := ask(h, "POST", "/api/v1/notes", url.Values{"photo": {c.photo}}.Encode()); w.Code != c.code {
			t.Errorf("%s: %d %.200s", name, w.Code, w.Body)
		}
	}
	w := ask(h, "GET", "/api/v1/photos/1", "")
	if w.Code != 200 || w.Header().Get("Content-Type") != "image/jpeg" || w.Header().Get("X-Content-Type-Options") != "nosniff" {
		t.Errorf("photo 1: %d %v", w.Code, w.Header())
	}
	for _, number := range []string{"0", "9", "-1", "x", "..%2f1"} {
		if w := ask(h, "GET", "/api/v1/photos/"+number, ""); w.Code != 404 {
			t.Errorf("photo %s: %d", number, w.Code)
		}
	}
}

func TestTimeFromATelephone(t *testing.T) {
	s := hatchery()
	h := serve(s, Options{TrustLocal: true})
	for now, code := range map[string]int{"2025-11-08T18:30:00Z": 200, "2025-11-08T19:30:00+01:00": 200, "2025-11-08T18:30": 200,
		"": 400, "1970-01-01T00:00:00Z": 400, "2200-01-01T00:00:00Z": 400, "half past six": 400} {
		if w := ask(h, "POST", "/api/v1/clock", url.Values{"now": {now}}.Encode()); w.Code != code {
			t.Errorf("%q: %d %s", now, w.Code, w.Body)
		}
	}
	for _, said := range s.said {
		if said != "time by : 2025-11-08T18:30:00Z" {
			t.Errorf("taken: %s", said)
		}
	}
	s.broken = errors.New("known already")
	if w := ask(h, "POST", "/api/v1/clock", "now=2025-11-08T18:30:00Z"); w.Code != http.StatusConflict {
		t.Errorf("a time that is not wanted: %d", w.Code)
	}
}

func TestWritingFromAnotherSiteIsRefused(t *testing.T) {
	s := hatchery()
	h := serve(s, Options{TrustLocal: true})
	for _, header := range [][]string{{"Sec-Fetch-Site", "cross-site"}, {"Origin", "http://elsewhere.example"}} {
		if w := ask(h, "POST", "/api/v1/notes", "text=x", header...); w.Code != http.StatusForbidden {
			t.Errorf("%v: %d", header, w.Code)
		}
	}
	if len(s.said) != 0 {
		t.Errorf("kept %q", s.said)
	}
}

func TestFormsLeadBackToOurOwnPagesOnly(t *testing.T) {
	h := serve(hatchery(), Options{TrustLocal: true})
	for back, want := range map[string]string{"/alarms": "/alarms", "/#note": "/#note", "": "/", "//elsewhere.example": "/",
		"https://elsewhere.example": "/", "/\\elsewhere": "/", "/a\nb": "/"} {
		w := ask(h, "POST", "/api/v1/notes", url.Values{"text": {"x"}, "back": {back}}.Encode(), "Accept", "text/html")
		if w.Code != 303 || w.Header().Get("Location") != want {
			t.Errorf("back %q leads to %d %q", back, w.Code, w.Header().Get("Location"))
		}
	}
}

// A body of a hundred megabytes is cut off after what may be sent, and others
// are served meanwhile.
func TestHugeBodyIsCutOff(t *testing.T) {
	server := httptest.NewServer(New(partsOf(hatchery()), Options{TrustLocal: true}))
	defer server.Close()
	body := &endless{}
	body.left.Store(100 << 20)
	req, _ := http.NewRequest("POST", server.URL+"/api/v1/notes", body)
	req.ContentLength = body.left.Load()
	req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	answer, err := http.DefaultClient.Do(req)
	if err == nil {
		answer.Body.Close()
		if answer.StatusCode != http.StatusRequestEntityTooLarge {
			t.Errorf("answered %d", answer.StatusCode)
		}
	}
	if taken := 100<<20 - body.left.Load(); taken > 16<<20 {
		t.Errorf("%d bytes were taken", taken)
	}
	if answer, err = http.Get(server.URL + "/api/v1/now"); err != nil || answer.StatusCode != 200 {
		t.Fatalf("afterwards: %v", err)
	}
	answer.Body.Close()
}

// endless is read by the transport's own goroutine.
type endless struct{ left atomic.Int64 }

func (e *endless) Read(p []byte) (int, error) {
	left := e.left.Load()
	if left <= 0 {
		return 0, io.EOF
	}
	n := min(int64(len(p)), left)
	for i := range p[:n] {
		p[i] = 'x'
	}
	e.left.Add(-n)
	return int(n), nil
}

// A sender that never finishes its body holds one slot; the page and the
// others go on, and acknowledging waits for none.
func TestSlowSenderHoldsNobodyUp(t *testing.T) {
	server := httptest.NewServer(New(partsOf(hatchery()), Options{TrustLocal: true}))
	t.Cleanup(server.Close) // after the senders below are gone
	send := func() {
		conn, err := net.Dial("tcp", server.Listener.Addr().String())
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { conn.Close() })
		io.WriteString(conn, "POST /api/v1/notes HTTP/1.1\r\nHost: x\r\nContent-Type: application/x-www-form-urlencoded\r\nContent-Length: 1000\r\n\r\ntext=")
	}
	for range mostBodies - 1 {
		send()
	}
	for _, path := range []string{"/api/v1/notes", "/api/v1/alarms/oil.pressure.low/acknowledge"} {
		answer, err := http.PostForm(server.URL+path, url.Values{"text": {"x"}, "who": {"Marta"}})
		if err != nil || answer.StatusCode != 200 {
			t.Fatalf("%s: %v %v", path, answer, err)
		}
		answer.Body.Close()
		send()
		send()
	}
}

// lateCard is the error of a store whose card has not answered yet.
type lateCard struct{ error }

func (lateCard) NotKept() {}

// lateCards takes notes, and has them on the card only once it is repaired.
type lateCards struct {
	*fakeRecord
	repaired *bool
}

func (l lateCards) Note(ctx context.Context, said api.Note) (uint64, error) {
	seq, err := l.fakeRecord.Note(ctx, said)
	return seq, errors.Join(err, l.Kept(ctx, seq, said))
}

func (l lateCards) Kept(context.Context, uint64, api.Note) error {
	if *l.repaired {
		return nil
	}
	return fmt.Errorf("ring: %w", lateCard{errors.New("slow")})
}

// A note that was not on the card yet is in memory and comes there. Sent again
// under its key it is not handed over a second time; the answer says whether it
// is there now.
func TestANoteSentAgainAfterALateCardIsKeptOnce(t *testing.T) {
	repaired := false
	l := lateCards{hatchery(), &repaired}
	h := New(partsOf(l), Options{TrustLocal: true})
	for _, want := range []int{503, 503, 200, 200} {
		repaired = want == 200
		w := ask(h, "POST", "/api/v1/notes", "text=leak&key=k1")
		if w.Code != want || want == 200 && decode[map[string]string](t, w)["seq"] != "1" {
			t.Errorf("repaired %v: %d %s", repaired, w.Code, w.Body)
		}
	}
	if len(l.said) != 1 {
		t.Errorf("%d notes kept", len(l.said))
	}
}

// A late note that was given up after all is not confirmed; the next try is a
// new one.
func TestALateNoteThatWasGivenUpIsTriedAgain(t *testing.T) {
	var s seenKeys
	calls := 0
	keep := func() (uint64, error) { calls++; return 7, lateCard{errors.New("slow")} }
	gone := errors.New("given up")
	s.once(t.Context(), "k", keep, nil)
	if _, err := s.once(t.Context(), "k", keep, func(uint64) error { return gone }); err != gone || calls != 1 {
		t.Errorf("%v after %d calls", err, calls)
	}
	if s.once(t.Context(), "k", keep, nil); calls != 2 {
		t.Errorf("%d calls", calls)
	}
}

// A note that is not on the card yet is not confirmed, and not called lost.
func TestANoteThatIsNotOnTheCardYetSaysSo(t *testing.T) {
	w := httptest.NewRecorder()
	f := &server{log: slog.New(slog.DiscardHandler), Parts: Parts{Notes: lateSource{}}}
	r := httptest.NewRequest("POST", "/api/v1/notes", nil)
	f.keep(w, r, api.Note{Text: "belt squeals"}, nil)
	if w.Code != http.StatusServiceUnavailable || !strings.Contains(w.Body.String(), "not on the card yet") {
		t.Errorf("%d %s", w.Code, w.Body)
	}
}

type lateSource struct{ noteKeeper }

func (lateSource) Note(context.Context, api.Note) (uint64, error) {
	return 0, fmt.Errorf("said: %w", lateCard{errors.New("slow")})
}
