package slave

import (
	"slices"
	"sync"

	"tickover/model"
)

// NoSuchUnit is what Bank.Read returns in place of an exception code for a
// unit that is not there: the slave then stays silent. It is no code of the
// protocol, whose exceptions end at 0x0B.
const NoSuchUnit byte = 0xFF

// Exception codes of the application protocol v1.1b3, clause 7.
const (
	IllegalFunction byte = 0x01
	IllegalAddress  byte = 0x02
	IllegalValue    byte = 0x03
	DeviceBusy      byte = 0x06
)

// Bank holds what slaves answer with. For bit tables each word is 0 or 1.
// exception is 0 when words are good, NoSuchUnit for silence, else the code
// to answer with. Read is called by one goroutine for each port served.
type Bank interface {
	Read(unit byte, table model.Table, address, count uint16) (words []uint16, exception byte)
}

// Identifier is a Bank whose units answer read device identification (2B/0E,
// basic). Identity returns vendor name, product code and revision; ok is
// false for a unit that does not know the function.
type Identifier interface {
	Identity(unit byte) (objects [3]string, ok bool)
}

type cell struct {
	unit    byte
	table   model.Table
	address uint16
}

// Registers is a Bank of words that were set. A unit exists from its first
// Set; reading an address of it that was never set is answered by exception
// 2. The zero value is empty and ready.
type Registers struct {
	mu    sync.RWMutex
	words map[cell]uint16
	units map[byte]bool
}

// Set puts words at consecutive addresses, those past 65535 are dropped.
func (r *Registers) Set(unit byte, table model.Table, address uint16, words ...uint16) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.words == nil {
		r.words, r.units = map[cell]uint16{}, map[byte]bool{}
	}
	r.units[unit] = true
	for i, w := range words {
		if at := int(address) + i; at <= 0xFFFF {
			r.words[cell{unit, table, uint16(at)}] = w
		}
	}
}

// Units lists the units that exist, ascending.
func (r *Registers) Units() []byte {
	r.mu.RLock()
	defer r.mu.RUnlock()
	var units []byte
	for u := range r.units {
		units = append(units, u)
	}
	slices.Sort(units)
	return units
}

// Read implements Bank.
func (r *Registers) Read(unit byte, table model.Table, address, count uint16) ([]uint16, byte) {
	r.mu.RLock()
	defer r.mu.RUnlock()
	if !r.units[unit] {
		return nil, NoSuchUnit
	}
	words := make([]uint16, count)
	for i := range words {
		at := int(address) + i
		w, ok := r.words[cell{unit, table, uint16(at)}]
		if !ok || at > 0xFFFF {
			return nil, IllegalAddress
		}
		words[i] = w
	}
	return words, 0
}
