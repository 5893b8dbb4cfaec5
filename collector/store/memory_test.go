package store

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"testing"
	"time"

	bolt "go.etcd.io/bbolt"

	"tickover/model"
	"tickover/testdata/soak"
)

// benchMemory measures in a process of its own, which this test binary is
// started as again: by how much logging makes it grow, and how large it gets
// in all while a month is read, with what is not the file's pages apart.
func benchMemory(b *testing.B) {
	month := repeatedDays(b, day, 30)
	mustClose(b, month)
	for b.Loop() {
		b.ReportMetric(float64(memoryOf(b, "log")["grew"])/1024, "MiB-log")
		for what, points := range map[string]string{"scan": string(model.VoltageL1N), "scan-all": ""} {
			m := memoryOf(b, "scan", month.opts.Dir, points)
			b.ReportMetric(float64(m["peak"])/1024, "MiB-"+what)
			b.ReportMetric(float64(m["anonymous"])/1024, "MiB-"+what+"-anon")
		}
	}
	b.ReportMetric(0, "ns/op")
}

// memoryOf has another process do some work and returns its figures, KiB.
func memoryOf(t testing.TB, work ...string) map[string]int {
	t.Helper()
	cmd := exec.Command(os.Args[0], "-test.run=^TestMemory$", "-test.v")
	cmd.Env = append(os.Environ(), "STORE_MEMORY="+strings.Join(work, " "))
	out, err := cmd.CombinedOutput()
	if err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	_, rest, ok := strings.Cut(string(out), "memory ")
	if !ok {
		t.Fatalf("%s", out)
	}
	figures := map[string]int{}
	line, _, _ := strings.Cut(rest, "\n")
	for _, field := range strings.Fields(line) {
		name, value, _ := strings.Cut(field, "=")
		if figures[name], err = strconv.Atoi(value); err != nil {
			t.Fatalf("%s", out)
		}
	}
	return figures
}

// TestMemory does one of the works that memoryOf asks for, and a short
// logging when nobody asks.
func TestMemory(t *testing.T) {
	before := resident(t)["VmRSS"]
	work := append(strings.Fields(os.Getenv("STORE_MEMORY")), "", "", "")
	var now map[string]int
	anonymous := 0
	switch work[0] {
	case "scan":
		q := model.Query{}
		if work[2] != "" {
			q.Points = []model.PointID{model.PointID(work[2])}
		}
		s := mustOpenPlain(t, Options{Dir: work[1], ReadOnly: true})
		for _, err := range s.Columns(q) {
			if err != nil {
				t.Fatal(err)
			}
			now = resident(t)
			anonymous = max(anonymous, now["RssAnon"])
		}
	case "log":
		logSoak(t, mustOpenPlain(t, soakOptions(t.TempDir())), soak.NewLate(), 4*3600)
	default:
		logSoak(t, mustOpen(t, soakOptions(t.TempDir())), soak.NewLate(), 700)
	}
	now = resident(t)
	fmt.Printf("memory grew=%d peak=%d anonymous=%d\n", now["VmRSS"]-before, now["VmHWM"], anonymous)
}

// resident reads what the kernel says of this process, KiB.
func resident(t *testing.T) map[string]int {
	text, err := os.ReadFile("/proc/self/status")
	if err != nil {
		t.Fatal(err)
	}
	figures := map[string]int{}
	for _, line := range strings.Split(string(text), "\n") {
		if name, value, _ := strings.Cut(line, ":"); strings.HasSuffix(value, " kB") {
			if figures[name], err = strconv.Atoi(strings.Fields(value)[0]); err != nil {
				t.Fatal(err)
			}
		}
	}
	return figures
}

// TestReadsLetPagesGo reads a file of 40 MiB, and not much of it may stay
// resident in this process.
func TestReadsLetPagesGo(t *testing.T) {
	t.Parallel()
	s := mustOpenPlain(t, options(t.TempDir()))
	defer mustClose(t, s)
	if err := s.data.update(putLargeBlocks); err != nil {
		t.Fatal(err)
	}
	for range 20 {
		if _, err := s.PutPhoto(bytes.Repeat([]byte("photo..."), LargestPhoto/8)); err != nil {
			t.Fatal(err)
		}
	}
	mustClose(t, s)
	s = mustOpenPlain(t, options(s.opts.Dir))
	defer mustClose(t, s)
	works := map[string]func(){
		"scan": func() {
			n := 0
			for c, err := range s.Columns(model.Query{}) {
				if err != nil {
					t.Fatal(err)
				}
				n += len(c.At)
			}
			if n != 20*1000 {
				t.Fatal(n)
			}
		},
		"photos": func() {
			for n := range uint64(20) {
				if _, err := s.Photo(n + 1); err != nil {
					t.Fatal(err)
				}
			}
		},
		"backup": func() {
			if err := s.Backup(t.Context(), io.Discard, model.Span{}, nil); err != nil {
				t.Fatal(err)
			}
		},
		"verify": func() { _, _ = s.Verify(t.Context(), nil) },
	}
	for name, work := range works {
		work()
		if kib := mapped(t, s.data.path); kib == 0 || kib > 12<<10 {
			t.Errorf("%s: %d KiB of the data file are resident", name, kib)
		}
	}
}

// putLargeBlocks puts 20 blocks of 1 MB: values that nothing compresses.
func putLargeBlocks(tx *bolt.Tx) error {
	sc := &schema{group: "g", points: make([]model.PointID, 130), scales: make([]scale, 130)}
	r := newRows(sc, 1)
	for i := range 1000 {
		r.at = append(r.at, int64(i)*1e9)
		for c := range r.values {
			r.values[c] = append(r.values[c], math.Float64frombits(uint64(i*130+c+1)*0x9e3779b97f4a7c15>>2))
		}
	}
	body := cursor{b: encodeRows(r)}
	rows, _ := body.uvarint(), body.varint()
	bucket, err := tx.Bucket(bucketBlocks).CreateBucket([]byte("gg"))
	for i := range 20 {
		at := model.Instant{Boot: 1, Offset: time.Duration(i) * 1000 * time.Second}
		head := binary.AppendUvarint(binary.AppendUvarint(binary.AppendUvarint(nil, 1), uint64(i+1)), rows)
		payload := append(binary.AppendVarint(head, int64(at.Offset)), body.b...)
		err = errors.Join(err, put(bucket, blockKey(at), payload))
	}
	return errors.Join(err, put(tx.Bucket(bucketSchemas), binary.BigEndian.AppendUint32(nil, 1), sc.encode()))
}

// mapped returns how much of a mapped file is resident in this process, KiB.
func mapped(t *testing.T, path string) (kib int) {
	text, err := os.ReadFile("/proc/self/smaps")
	if err != nil {
		t.Fatal(err)
	}
	_, rest, _ := strings.Cut(string(text), path+"\n")
	if _, err := fmt.Sscanf(rest[strings.Index(rest, "Rss:"):], "Rss: %d", &kib); err != nil {
		t.Fatal(err)
	}
	return kib
}

// TestLoggingLetsPagesGo seals many long blocks, which are read for being added
// to, and not much of the file may stay resident.
func TestLoggingLetsPagesGo(t *testing.T) {
	t.Parallel()
	s := mustOpenPlain(t, options(t.TempDir()))
	defer mustClose(t, s)
	large := bytes.Repeat([]byte("large..."), 1<<17)
	for n := range 200 {
		err := s.data.update(func(tx *bolt.Tx) error {
			c := tx.Bucket(bucketSetups).Cursor()
			if _, v := c.Last(); v != nil && bytes.Count(v[:min(len(v), 128<<10)], []byte("l")) == 0 {
				return errors.New("not what was kept")
			}
			return put(tx.Bucket(bucketSetups), blockKey(model.Instant{Boot: 1, Offset: time.Duration(n)}), large[:128<<10])
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	if kib := mapped(t, s.data.path); kib == 0 || kib > 20<<10 {
		t.Errorf("%d KiB of the data file are resident", kib)
	}
}
