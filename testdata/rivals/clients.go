package main

import (
	"context"
	"encoding/binary"
	"time"

	goburrow "github.com/goburrow/modbus"
	simonvetter "github.com/simonvetter/modbus"

	"tickover/collector/line"
	"tickover/model"
)

// How long every client waits for an answer; simonvetter's for all of it.
const (
	wirePatience = time.Second
	patience     = 300 * time.Millisecond // where answers are faulted
)

// client reads holding registers of unit 2.
type client interface {
	read(address, count uint16) ([]uint16, error)
	close()
}

// names and makers of the clients, ours first.
var clients = []struct {
	name string
	open func(path string, baud int, patience time.Duration) (client, error)
}{
	{"line", openOurs},
	{"goburrow", openGoburrow},
	{"simonvetter", openSimonvetter},
}

type ours struct{ *line.Line }

func openOurs(path string, baud int, patience time.Duration) (client, error) {
	l := line.New(model.Line{Name: "bus", Address: path, Baud: baud, Timeout: patience})
	return ours{l}, l.Open(context.Background())
}

func (c ours) read(address, count uint16) ([]uint16, error) {
	a, err := c.Read(context.Background(), model.ReadRequest{Unit: 2, Address: address, Count: count})
	return a.Words, err
}

func (c ours) close() { _ = c.Line.Close() }

type burrow struct {
	*goburrow.RTUClientHandler
	goburrow.Client
}

func openGoburrow(path string, baud int, patience time.Duration) (client, error) {
	h := goburrow.NewRTUClientHandler(path)
	h.BaudRate, h.DataBits, h.Parity, h.StopBits, h.Timeout, h.SlaveId = baud, 8, "N", 1, patience, 2
	return burrow{h, goburrow.NewClient(h)}, h.Connect()
}

func (c burrow) read(address, count uint16) ([]uint16, error) {
	b, err := c.ReadHoldingRegisters(address, count)
	if err != nil {
		return nil, err
	}
	words := make([]uint16, len(b)/2)
	for i := range words {
		words[i] = binary.BigEndian.Uint16(b[2*i:])
	}
	return words, nil
}

func (c burrow) close() { _ = c.RTUClientHandler.Close() }

type vetter struct{ *simonvetter.ModbusClient }

func openSimonvetter(path string, baud int, patience time.Duration) (client, error) {
	c, err := simonvetter.NewClient(&simonvetter.ClientConfiguration{URL: "rtu://" + path, Speed: uint(baud), DataBits: 8,
		Parity: simonvetter.PARITY_NONE, StopBits: 2, Timeout: patience})
	if err != nil {
		return nil, err
	}
	if err := c.Open(); err != nil {
		return nil, err
	}
	return vetter{c}, c.SetUnitId(2)
}

func (c vetter) read(address, count uint16) ([]uint16, error) {
	return c.ReadRegisters(address, count, simonvetter.HOLDING_REGISTER)
}

func (c vetter) close() { _ = c.Close() }

// numbers is a bank in which no two registers hold the same.
type numbers struct{}

func (numbers) Read(unit byte, _ model.Table, address, count uint16) ([]uint16, byte) {
	words := make([]uint16, count)
	for i := range words {
		words[i] = number(address + uint16(i))
	}
	return words, 0
}

func number(address uint16) uint16 { return address*7 + 0x2001 }

func right(words []uint16, address, count uint16) bool {
	if len(words) != int(count) {
		return false
	}
	for i, w := range words {
		if w != number(address+uint16(i)) {
			return false
		}
	}
	return true
}
