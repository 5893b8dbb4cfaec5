package model

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
)

// RefusedRead is one thing that a device was found to refuse: a read across a
// place, or one of more than so many registers.
type RefusedRead struct {
	Device     string
	Definition string // Fingerprint of the device when it was found out
	Table      Table
	// From and To are a place that no read may go across: the device refuses
	// reads that hold both the register before From and the one at To. Both
	// are 0 when Most is not.
	From, To int
	// Refused is how many registers a read held that was refused for its
	// length, and Most how many are asked for since; 0 means no such limit.
	Refused, Most int
}

// Valid reports whether the refusal can be planned by. One that was damaged or
// written by something else may say anything.
func (r RefusedRead) Valid() bool {
	switch {
	case r.Table > DiscreteInputs || r.Definition == "":
		return false
	case r.Most != 0:
		return !r.Table.Bits() && 0 < r.Most && r.Most < r.Refused && r.Refused <= r.Table.Limit()
	}
	return 0 < r.From && r.From <= r.To && r.To < 1<<16
}

// Words says what is refused and what is done about it.
func (r RefusedRead) Words() string {
	switch {
	case r.Most > 0:
		return fmt.Sprintf("reads of %d %s registers are refused; at most %d are asked for", r.Refused, r.Table, r.Most)
	case r.From == r.To:
		return fmt.Sprintf("%s %d is not read together with the register before it", r.Table, r.To)
	}
	return fmt.Sprintf("%s %d..%d is refused; reads go around it", r.Table, r.From, r.To-1)
}

// Fingerprint tells one definition of a device from another. It is empty,
// which stands for no definition, when there is a number in it that cannot be
// written.
func (d Device) Fingerprint() string {
	text, err := json.Marshal(d)
	if err != nil {
		return ""
	}
	sum := sha256.Sum256(text)
	return hex.EncodeToString(sum[:8])
}
