package line

import (
	"encoding/hex"
	"encoding/json"
	"math"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"tickover/model"
	"tickover/testdata/reference"
)

// published is the part of testdata/reference/modbus_frames.json used here;
// the sources stand in the file.
type published struct {
	Frames []struct {
		ID       string `json:"id"`
		Request  string `json:"request_adu_unit_11"`
		Response string `json:"response_adu_unit_11"`
	} `json:"frames"`
	Vectors []struct {
		Bytes string `json:"bytes"`
		Wire  string `json:"wire_lo_hi"`
		Match bool   `json:"match"`
		Print string `json:"published"`
	} `json:"crc_vectors"`
}

func publishedFrames(t *testing.T) (p published) {
	t.Helper()
	b, err := os.ReadFile("../../testdata/reference/modbus_frames.json")
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(b, &p); err != nil {
		t.Fatal(err)
	}
	return p
}

func unhex(t *testing.T, s string) []byte {
	t.Helper()
	b, err := hex.DecodeString(strings.ReplaceAll(s, " ", ""))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// TestPublishedFrames builds the requests of the standard's worked examples
// and decodes their answers to the printed meaning (application protocol
// v1.1b3, clauses 6.1 to 6.4 and 7).
func TestPublishedFrames(t *testing.T) {
	bits := func(first int, on ...int) []uint16 { // numbered as the standard prints them
		words := make([]uint16, on[len(on)-1]-first+1)
		for _, n := range on[:len(on)-1] {
			words[n-first] = 1
		}
		return words
	}
	for id, want := range map[string]struct {
		q         model.ReadRequest
		words     []uint16
		exception byte
	}{
		// Coils 27-20 = 1100 1101, 35-28 = 0110 1011, 38-36 = 101.
		"fc01": {q: model.ReadRequest{Unit: 0x11, Table: model.Coils, Address: 19, Count: 19},
			words: bits(20, 20, 22, 23, 26, 27, 28, 29, 31, 33, 34, 36, 38, 38)},
		// Inputs 204-197 = 1010 1100, 212-205 = 1101 1011, 218-213 = 11 0101.
		"fc02": {q: model.ReadRequest{Unit: 0x11, Table: model.DiscreteInputs, Address: 196, Count: 22},
			words: bits(197, 199, 200, 202, 204, 205, 206, 208, 209, 211, 212, 213, 215, 217, 218, 218)},
		"fc03": {q: model.ReadRequest{Unit: 0x11, Address: 107, Count: 3}, words: []uint16{555, 0, 100}},
		"fc04": {q: model.ReadRequest{Unit: 0x11, Table: model.InputRegisters, Address: 8, Count: 1}, words: []uint16{10}},
		// Output at address 04A1 of which there is none.
		"exc01_02": {q: model.ReadRequest{Unit: 0x11, Table: model.Coils, Address: 0x4A1, Count: 1}, exception: 2},
	} {
		i := slices.IndexFunc(publishedFrames(t).Frames, func(f struct {
			ID       string `json:"id"`
			Request  string `json:"request_adu_unit_11"`
			Response string `json:"response_adu_unit_11"`
		}) bool {
			return f.ID == id
		})
		if i < 0 {
			t.Fatalf("%s is not in the reference file", id)
		}
		frame := publishedFrames(t).Frames[i]
		w := newWire(model.Line{}, nil, nil, nil)
		w.packager.SlaveId = want.q.Unit
		adu, err := w.packager.Encode(request(question{ReadRequest: want.q}))
		if err != nil || !slices.Equal(adu, unhex(t, frame.Request)) {
			t.Errorf("%s: request % X (%v), printed %s", id, adu, err, frame.Request)
		}
		answer := unhex(t, frame.Response)
		f, ok := seek(answer, shapeOf(question{ReadRequest: want.q}))
		if !ok {
			t.Errorf("%s: % X is not taken for the answer", id, answer)
			continue
		}
		pdu := answer[f.start+1 : f.end-2]
		words, exception := []uint16(nil), byte(0)
		if f.exception {
			exception = pdu[1]
		} else {
			words = decode(want.q, pdu)
		}
		if !slices.Equal(words, want.words) || exception != want.exception {
			t.Errorf("%s: %v, exception %d; printed %v, %d", id, words, exception, want.words, want.exception)
		}
	}
}

// TestPublishedChecksums holds the checksum against printed ones, and against
// two misprints, which must not pass.
func TestPublishedChecksums(t *testing.T) {
	vectors := publishedFrames(t).Vectors
	if len(vectors) < 23 {
		t.Fatalf("only %d vectors", len(vectors))
	}
	for _, v := range vectors {
		if !checks(append(unhex(t, v.Bytes), unhex(t, v.Wire)...)) {
			t.Errorf("%s with %s does not pass", v.Bytes, v.Wire)
		}
		if v.Match != checks(append(unhex(t, v.Bytes), unhex(t, v.Print)...)) {
			t.Errorf("%s with the printed %s: passes %v", v.Bytes, v.Print, !v.Match)
		}
	}
}

// TestPublishedTimes holds character time, air time and the silent interval
// against the table computed from the serial guide v1.02 (clauses 2.5.1 and
// 2.5.1.1). Its 10-bit rows take t3.5 as 3.5 shorter characters up to 19200
// Bd; ours keeps to 11 bits there, which is longer and so within the rule.
func TestPublishedTimes(t *testing.T) {
	near := func(got time.Duration, ms float64) bool {
		return math.Abs(float64(got)/1e6-ms) < 0.00051
	}
	rows := reference.Rows(t, "modbus_wire_time.csv")
	if len(rows) != 32 {
		t.Fatalf("%d rows", len(rows))
	}
	for _, row := range rows {
		def := model.Line{Baud: row.Int(t, "baud")}
		if row["bits_per_char"] == "10" {
			def.Parity, def.StopBits = model.NoParity, 1
		}
		q := model.ReadRequest{Unit: 1, Count: uint16(row.Int(t, "N_registers"))}
		bytes := 8 + shapeOf(question{ReadRequest: q}).length()
		air := time.Duration(bytes) * time.Second * time.Duration(def.Bits()) / time.Duration(def.Baud)
		if bytes != row.Int(t, "bytes_on_wire") || !near(def.CharacterTime(), row.Number(t, "char_time_ms")) || !near(air, row.Number(t, "air_time_ms")) {
			t.Errorf("%v: %d bytes, character %s, air %s", row, bytes, def.CharacterTime(), air)
		}
		if gap := def.FrameGap(); row["bits_per_char"] == "11" && !near(gap, row.Number(t, "t3_5_ms")) || float64(gap)/1e6 < row.Number(t, "t3_5_ms")-0.00051 {
			t.Errorf("%v: gap %s", row, gap)
		}
	}
}
