package collector

import (
	"testing"

	"tickover/model"
)

// chainTable answers reads from a map; what is missing is exception 2.
type chainTable map[int]uint16

func (r chainTable) read(q model.ReadRequest) (model.Answer, error) {
	var a model.Answer
	for i := range int(q.Count) {
		w, ok := r[int(q.Address)+i]
		if !ok {
			return a, &model.ReadError{Cause: model.DeviceException, Exception: 2, Request: q.String()}
		}
		a.Words = append(a.Words, w)
	}
	return a, nil
}

func (r chainTable) put(at int, words ...uint16) {
	for i, w := range words {
		r[at+i] = w
	}
}

func meterInChain() model.Device {
	return model.Device{
		Name: "meter", Unit: 1, Chain: &model.Chain{Bases: []uint16{40000, 50000, 0}, Model: 203, Length: 105, Start: 40002},
		Points: []model.Point{{ID: model.FrequencyPoint, Register: model.Register{Address: 40018}}},
	}
}

// SunSpec: the marker at one of three bases, then models one after another,
// each its number, its length and its chainTable; number 0xFFFF ends them.
func TestLocateWalksTheChainOfModels(t *testing.T) {
	r := chainTable{}
	r.put(50000, 0x5375, 0x6e53, 1, 66)
	r.put(50002+2+66, 203, 105)
	d, err := locate(meterInChain(), r.read)
	if err != nil {
		t.Fatal(err)
	}
	if got, want := d.Points[0].Register.Address, uint16(50070+16); got != want {
		t.Errorf("frequency lies at %d, want %d", got, want)
	}
}

func TestLocateSaysWhatIsNotThere(t *testing.T) {
	for name, r := range map[string]chainTable{
		"no marker": {0: 1, 1: 2},
		"no model":  {40000: 0x5375, 40001: 0x6e53, 40002: 1, 40003: 66, 40070: 0xffff, 40071: 0},
		"loop":      endless(),
	} {
		if _, err := locate(meterInChain(), r.read); err == nil {
			t.Errorf("%s: no error", name)
		}
	}
}

func endless() chainTable {
	r := chainTable{40000: 0x5375, 40001: 0x6e53}
	for i := 40002; i < 65536; i += 2 {
		r[i], r[i+1] = 7, 0
	}
	return r
}
