package line

import (
	"bytes"

	"github.com/goburrow/modbus"
)

// shape is what an answer can be recognised by. Two questions of one shape
// cannot be distinguished by their answers.
type shape struct {
	unit, function byte
	bytes          int // of data
}

// length is that of the whole frame.
func (s shape) length() int { return s.bytes + 5 }

// third is the byte after unit and function in an answer of the shape.
func (s shape) third() byte {
	if s.function == identification {
		return identifyType
	}
	return byte(s.bytes)
}

// found is a frame inside a run of bytes.
type found struct {
	shape
	exception  bool
	start, end int
}

// framing checks checksums. Decode of the RTU packager does so without
// looking at the unit, and is never given fewer than five bytes.
var framing = modbus.NewRTUClientHandler("")

func checks(frame []byte) bool {
	_, err := framing.Decode(frame)
	return err == nil
}

// frameAt looks for a read answer or an exception of any unit that starts at i.
func frameAt(b []byte, i int) (found, bool) {
	if len(b)-i < 5 {
		return found{}, false
	}
	unit, function, count := b[i], b[i+1], int(b[i+2])
	f := found{shape: shape{unit: unit, function: function &^ exceptionBit}, start: i, end: i + 5}
	switch {
	case (f.function < 1 || f.function > 4) && f.function != identification || unit == 0 || unit > 247:
		return found{}, false
	case function&exceptionBit != 0:
		f.exception = true
	case function == identification:
		n, ok := identityLength(b[i+1:])
		if !ok {
			return found{}, false
		}
		f.end = i + 1 + n + 2
	default:
		f.bytes = count
		f.end = i + f.length()
	}
	if f.end > len(b) || f.end-i > maxFrame || !checks(b[i:f.end]) {
		return found{}, false
	}
	return f, true
}

// seek finds the frame that answers want, at any offset: ghosts, noise, an
// echo or frames of other units may stand around it.
func seek(b []byte, want shape) (found, bool) {
	for i := 0; i+5 <= len(b); i++ {
		if b[i] != want.unit || b[i+1]&^exceptionBit != want.function {
			continue
		}
		if b[i+1] == want.function && b[i+2] != want.third() {
			continue
		}
		if f, ok := frameAt(b, i); ok {
			return f, true
		}
	}
	return found{}, false
}

// begun reports whether an answer of the shape seems to be in b, if only its
// head.
func begun(b []byte, want shape) bool {
	return bytes.Contains(b, []byte{want.unit, want.function, want.third()}) ||
		bytes.Contains(b, []byte{want.unit, want.function | exceptionBit})
}

// stray is the number of bytes that are in none of the frames.
func stray(b []byte, in []found) int {
	n := len(b)
	for _, f := range in {
		n -= f.end - f.start
	}
	return n
}

// frames lists the good frames in b, left to right, none inside another.
func frames(b []byte) []found {
	var all []found
	for i := 0; i+5 <= len(b); {
		f, ok := frameAt(b, i)
		if !ok {
			i++
			continue
		}
		all = append(all, f)
		i = f.end
	}
	return all
}
