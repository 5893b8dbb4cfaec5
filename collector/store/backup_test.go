package store

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"tickover/model"
)

func restored(t *testing.T, stream []byte) (*Store, string) {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "copy")
	if _, err := Restore(context.Background(), bytes.NewReader(stream), dir); err != nil {
		t.Fatal(err)
	}
	mustBeClean(t, dir)
	o := options(dir)
	return mustOpen(t, o), dir
}

// TestBackupWhileWriting copies a store that is being written to, and wants
// everything kept before it began, once.
func TestBackupWhileWriting(t *testing.T) {
	t.Parallel()
	s := mustOpen(t, options(t.TempDir()))
	want := fill(t, s, 1, 0, 3000)
	if _, err := s.PutPhoto([]byte("picture")); err != nil {
		t.Fatal(err)
	}
	mustAppend(t, s, scanAt("adapter/1s", 1, 3000*time.Second, model.GoodSample("x", 1)), note(1, 3000*time.Second, "on"))
	want = append(want, lines(t, s, model.Query{From: model.Instant{Boot: 1, Offset: 3000 * time.Second}})...)
	figures, _ := minuteLines(t, s, model.Query{})
	done := make(chan struct{})
	go func() {
		defer close(done)
		for i := range 3000 {
			scan := scanAt("meter/1s", 1, time.Duration(3001+i)*time.Second, model.GoodSample("v", 1), model.GoodSample("t", 2))
			if err := s.Append(scan, nil); err != nil {
				t.Error(err)
			}
		}
	}()
	var out bytes.Buffer
	if err := s.Backup(context.Background(), &out, model.Span{}, nil); err != nil {
		t.Fatal(err)
	}
	<-done
	c, _ := restored(t, out.Bytes())
	got := lines(t, c, model.Query{})
	if len(got) < len(want) {
		t.Fatalf("%d rows, want %d at least", len(got), len(want))
	}
	same(t, "rows", got[:len(want)], want)
	same(t, "events", eventTexts(t, c, model.Query{}), []string{"1 1+50m0s on"})
	again, _ := minuteLines(t, c, model.Query{To: model.Instant{Boot: 1, Offset: 49 * time.Minute}})
	all := strings.Join(figures, "\n")
	for _, line := range again {
		if !strings.Contains(all, line) {
			t.Fatal(line)
		}
	}
	if p, err := c.Photo(1); err != nil || string(p) != "picture" {
		t.Fatal(p, err)
	}
}

// TestBackupOfSpan wants the blocks that touch a span and the events within.
func TestBackupOfSpan(t *testing.T) {
	t.Parallel()
	s := mustOpen(t, options(t.TempDir()))
	for i := range 14 {
		fill(t, s, 1, i*600, 600)
		if err := s.AppendEvents([]model.Event{note(1, time.Duration(i)*10*time.Minute, fmt.Sprint(i))}); err != nil {
			t.Fatal(err)
		}
	}
	span := model.Span{From: model.Instant{Boot: 1, Offset: 30 * time.Minute}, To: model.Instant{Boot: 1, Offset: 50 * time.Minute}}
	want := lines(t, s, model.Query{From: span.From, To: span.To})
	var out bytes.Buffer
	if err := s.Backup(context.Background(), &out, span, nil); err != nil {
		t.Fatal(err)
	}
	c, _ := restored(t, out.Bytes())
	same(t, "span", lines(t, c, model.Query{From: span.From, To: span.To}), want)
	if n := len(lines(t, c, model.Query{})); n > 3600 {
		t.Fatalf("%d rows copied for 1200", n)
	}
	if n := len(eventTexts(t, c, model.Query{})); n != 2 {
		t.Fatal(n)
	}
}

// TestBackupCutShort wants no store from a stream that ends early or has a
// byte changed.
func TestBackupCutShort(t *testing.T) {
	t.Parallel()
	s := mustOpen(t, options(t.TempDir()))
	fill(t, s, 1, 0, 700)
	var out bytes.Buffer
	if err := s.Backup(context.Background(), &out, model.Span{}, nil); err != nil {
		t.Fatal(err)
	}
	whole := out.Bytes()
	random := rand.New(rand.NewPCG(3, 4))
	for i := range 60 {
		bad := bytes.Clone(whole)
		if i%2 == 0 {
			bad = bad[:random.IntN(len(bad))]
		} else {
			bad[random.IntN(len(bad))] ^= 1 << random.IntN(8)
		}
		dir := filepath.Join(t.TempDir(), "copy")
		if _, err := Restore(context.Background(), bytes.NewReader(bad), dir); err == nil {
			t.Fatalf("case %d was taken", i)
		}
		if found, err := os.ReadDir(dir); err != nil || len(found) > 0 {
			t.Fatal(found, err)
		}
	}
}

// TestBackupVersions takes a stream of version 1, which differs by its version
// only, and refuses one of a later version with a hint.
func TestBackupVersions(t *testing.T) {
	t.Parallel()
	s := mustOpen(t, options(t.TempDir()))
	want := fill(t, s, 1, 0, 700)
	var out bytes.Buffer
	if err := s.Backup(context.Background(), &out, model.Span{}, nil); err != nil {
		t.Fatal(err)
	}
	stream := func(version byte) []byte {
		b := bytes.Clone(out.Bytes())
		b[len(backupMagic)] = version
		sum := crc32.Checksum(b[:len(b)-4], castagnoli)
		return binary.LittleEndian.AppendUint32(b[:len(b)-4], sum)
	}
	c, _ := restored(t, stream(1))
	same(t, "version 1", lines(t, c, model.Query{}), want)
	dir := filepath.Join(t.TempDir(), "copy")
	if _, err := Restore(context.Background(), bytes.NewReader(stream(backupVersion+1)), dir); !errors.Is(err, errLaterBackup) {
		t.Fatal(err)
	}
}

// spared counts the rows of blocks that lie on pages to which nothing was
// done, as does their schema or its spare.
func spared(t *testing.T, whole, damaged []byte) (rows int) {
	t.Helper()
	blocks, schemas := map[string]block{}, map[uint32]bool{}
	take := func(elements []element) {
		for _, e := range elements {
			if id, ok := parseSpareKey(e.key); ok {
				schemas[id] = true
			} else if payload, err := unwrap(e.key, e.value); err == nil && len(e.key) == 4 {
				_, wrong := decodeSchema(payload)
				schemas[binary.BigEndian.Uint32(e.key)] = wrong == nil || schemas[binary.BigEndian.Uint32(e.key)]
			} else if b, err := openBlock(e.key, e.value); err == nil {
				name := fmt.Sprintf("%x %d", e.key, b.schema)
				blocks[name] = block{schema: b.schema, rows: max(b.rows, blocks[name].rows)}
			}
		}
	}
	for at := 2 * pageSize; at < len(whole); at += pageSize {
		end := at + pageSize*int(little.Uint32(whole[at+12:])+1)
		if little.Uint16(whole[at+8:]) != pageLeaf || end > len(whole) || !bytes.Equal(whole[at:end], damaged[at:end]) {
			continue
		}
		elements, _, err := parsePage(whole[at:end])
		if err != nil {
			continue // left over from before
		}
		take(elements)
		for _, e := range elements {
			if inline, _, err := parsePage(e.value[min(16, len(e.value)):]); e.bucket && err == nil {
				take(inline)
			}
		}
	}
	for _, b := range blocks {
		if schemas[b.schema] {
			rows += b.rows
		}
	}
	return rows
}

// TestSalvage damages the data file more and more and wants every block back
// whose own bytes were spared, nothing that was never kept, and the rest told.
func TestSalvage(t *testing.T) {
	t.Parallel()
	dir, rows, events := workedStore(t)
	random := rand.New(rand.NewPCG(5, 6))
	for _, pages := range []int{0, 1, 4, 12} {
		work := copyStore(t, dir)
		path := filepath.Join(work, dataName)
		text, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		whole, high := bytes.Clone(text), int(little.Uint64(text[pageHeader+40:]))
		for i := range pages {
			page := random.IntN(high)
			if i == 0 {
				page = 0
				copy(text[pageSize:], make([]byte, pageSize)) // both meta pages: no index at all
			}
			for b := range 512 {
				text[page*pageSize+random.IntN(8)*512+b] = byte(random.Uint32())
			}
		}
		if err := os.WriteFile(path, text, 0o600); err != nil {
			t.Fatal(err)
		}
		out := filepath.Join(t.TempDir(), "salvaged")
		copied, err := Salvage(context.Background(), path, out, nil)
		if err != nil {
			t.Fatal(err)
		}
		s := mustOpen(t, options(out))
		got := len(lines(t, s, model.Query{}))
		told := tellsOrSame(t, s, fmt.Sprint(pages, " pages"), rows, events)
		if least := spared(t, whole, text); !told || pages <= 1 && got != len(rows) || got < least {
			t.Fatalf("%d pages damaged: %d of %d rows, %d of them on spared pages, told %v: %+v", pages, got, len(rows), least, told, copied)
		}
		mustClose(t, s)
		mustBeClean(t, out)
	}
	if _, err := Salvage(context.Background(), filepath.Join(dir, "none"), t.TempDir(), nil); !errors.Is(err, os.ErrNotExist) {
		t.Fatal(err)
	}
}
