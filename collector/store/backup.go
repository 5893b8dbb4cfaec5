package store

import (
	"bufio"
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"hash"
	"hash/crc32"
	"io"
	"iter"

	"tickover/model"
)

// A stream of a store's entries begins with backupMagic and its version.
// Version 2 may hold blocks with lags, which nothing else tells from damaged
// ones to a program that knows version 1 only.
const (
	backupMagic   = "TkBk"
	backupVersion = 2
)

// Bounds of a record's texts in bytes; FORMAT.md states them.
const (
	largestName  = 1 << 10
	largestEntry = 4 << 20 // of a value but a block or minutes
	largestBlock = 64 << 20
)

func largestValue(kind recordKind) uint64 {
	if kind == recordBlock || kind == recordMinutes {
		return largestBlock
	}
	return largestEntry
}

// errCutOff is returned when a backup ends before its end.
var errCutOff = errors.New("the backup is cut off or damaged (make it again)")

// errLaterBackup is returned when a later version of this program made it.
var errLaterBackup = errors.New("the backup was made by a newer tickover (restore it with that)")

// Backup writes everything kept, or all that belongs to a span, as a stream
// from which Restore makes a store. It runs beside writers and readers and
// holds no transaction while it writes. The zero span means everything.
// progress, which may be nil, is told the bytes written.
func (s *Store) Backup(ctx context.Context, w io.Writer, span model.Span, progress func(written int64)) error {
	if !s.opts.ReadOnly {
		if err := s.sealNow(); err != nil {
			return fmt.Errorf("back up: %w", err)
		}
	}
	out := &stream{w: bufio.NewWriterSize(w, 1<<16), sum: crc32.New(castagnoli), progress: progress}
	out.write(append([]byte(backupMagic), backupVersion))
	for r, err := range s.records(span) {
		if err == nil {
			err = ctx.Err()
		}
		if err != nil {
			return fmt.Errorf("back up: %w", err)
		}
		if out.record(r); out.err != nil {
			return fmt.Errorf("back up: %w", out.err)
		}
	}
	return out.end()
}

// sealNow moves what is in memory into the data file.
func (s *Store) sealNow() error {
	s.writing.Lock()
	defer s.writing.Unlock()
	return s.seal()
}

// stream writes records.
type stream struct {
	w        *bufio.Writer
	sum      hash.Hash32
	n        uint64
	written  int64
	progress func(int64)
	err      error
}

func (o *stream) write(b []byte) {
	if o.err == nil {
		o.sum.Write(b)
		_, o.err = o.w.Write(b)
		o.written += int64(len(b))
	}
}

func (o *stream) record(r record) {
	b := appendText([]byte{byte(r.kind)}, r.group)
	b = appendText(appendText(b, string(r.key)), string(r.value))
	o.write(b)
	if o.n++; o.progress != nil && o.n%64 == 0 {
		o.progress(o.written)
	}
}

func (o *stream) end() error {
	o.write(binary.AppendUvarint([]byte{byte(recordEnd)}, o.n))
	o.write(binary.LittleEndian.AppendUint32(nil, o.sum.Sum32()))
	if o.err == nil {
		o.err = o.w.Flush()
	}
	if o.progress != nil {
		o.progress(o.written)
	}
	return o.err
}

// Restore makes a store in an empty folder from what Backup wrote. Nothing is
// left behind when the stream ends early.
func Restore(ctx context.Context, r io.Reader, dir string) (Copied, error) {
	return rebuild(ctx, dir, "", "", readStream(r))
}

// summed is a reader that sums what was taken from it.
type summed struct {
	r   *bufio.Reader
	sum hash.Hash32
}

func (s *summed) ReadByte() (byte, error) {
	b, err := s.r.ReadByte()
	if err == nil {
		s.sum.Write([]byte{b})
	}
	return b, err
}

// text reads a text of at most so many bytes. Room is taken as bytes come in,
// not for what the length claims.
func (s *summed) text(most uint64) ([]byte, error) {
	n, err := binary.ReadUvarint(s)
	if err != nil || n > most {
		return nil, errCutOff
	}
	var b bytes.Buffer
	if _, err := io.CopyN(&b, s.r, int64(n)); err != nil {
		return nil, errCutOff
	}
	s.sum.Write(b.Bytes())
	return b.Bytes(), nil
}

func readStream(r io.Reader) iter.Seq2[record, error] {
	return func(yield func(record, error) bool) {
		in := &summed{r: bufio.NewReaderSize(r, 1<<16), sum: crc32.New(castagnoli)}
		magic := make([]byte, len(backupMagic)+1)
		if _, err := io.ReadFull(in.r, magic); err != nil || string(magic[:4]) != backupMagic {
			yield(record{}, errCutOff)
			return
		}
		if magic[4] > backupVersion {
			yield(record{}, errLaterBackup)
			return
		}
		in.sum.Write(magic)
		for n := uint64(0); ; n++ {
			kind, err := in.ReadByte()
			if err == nil && recordKind(kind) == recordEnd {
				if !in.whole(n) {
					yield(record{}, errCutOff)
				}
				return
			}
			rec, err := in.record(kind, err)
			if !yield(rec, err) || err != nil {
				return
			}
		}
	}
}

func (s *summed) record(kind byte, err error) (record, error) {
	group, err1 := s.text(largestName)
	key, err2 := s.text(largestName)
	value, err3 := s.text(largestValue(recordKind(kind)))
	if errors.Join(err, err1, err2, err3) != nil {
		return record{}, errCutOff
	}
	return record{recordKind(kind), string(group), key, value}, nil
}

// whole reads count and sum at the end.
func (s *summed) whole(n uint64) bool {
	count, err := binary.ReadUvarint(s)
	want := s.sum.Sum32()
	sum := make([]byte, 4)
	_, wrong := io.ReadFull(s.r, sum)
	return err == nil && wrong == nil && count == n && binary.LittleEndian.Uint32(sum) == want
}
