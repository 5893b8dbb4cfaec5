package main

import (
	"context"
	"errors"
	"fmt"
	"time"

	"tickover/collector/line"
	"tickover/model"
)

// askUnit asks one unit a short question, and when it is there what it is. A
// unit that answers with an exception is there as well.
func askUnit(ctx context.Context, l *line.Line, unit uint8, timeout time.Duration) (found, bool, error) {
	ask := func(t model.Table, address uint16, count uint16) ([]uint16, error) {
		a, err := l.Read(ctx, model.ReadRequest{Unit: unit, Table: t, Address: address, Count: count, Timeout: timeout, Once: true})
		return a.Words, err
	}
	f := found{Unit: unit, Answer: "reads holding 0"}
	_, err := ask(model.HoldingRegisters, 0, 1)
	f.plain = err == nil
	var read *model.ReadError
	switch {
	case err == nil:
	case errors.As(err, &read) && read.Cause == model.DeviceException && read.Exception != 0x0A && read.Exception != 0x0B:
		f.Answer = read.Detail
		if _, err := ask(model.InputRegisters, 0, 1); err == nil {
			f.Answer, f.plain, f.table = "reads input 0", true, model.InputRegisters
		}
	default:
		return f, false, err
	}
	if who, err := l.Identify(ctx, unit, timeout); err == nil {
		f.Identity = &who
	}
	f.Base, f.SunSpec = sunSpecModels(ask)
	return f, true, nil
}

// sunSpecBases are where the marker may stand (SunSpec device information
// model specification v1.1).
var sunSpecBases = [...]uint16{40000, 50000, 0}

// sunSpecModels walks the unit's chain of models, if it has one.
func sunSpecModels(ask func(model.Table, uint16, uint16) ([]uint16, error)) (base uint16, models []uint16) {
	for _, base := range sunSpecBases {
		marker, err := ask(model.HoldingRegisters, base, 2)
		if err != nil || [2]uint16(marker) != model.ChainMarker {
			continue
		}
		for at := int(base) + 2; at <= 65534 && len(models) < 64; {
			header, err := ask(model.HoldingRegisters, uint16(at), 2)
			if err != nil || header[0] == model.ChainEnd {
				break
			}
			models = append(models, header[0])
			at += 2 + int(header[1])
		}
		return base, models
	}
	return 0, nil
}

// stub is a configuration to start from, with every unit that was found.
func (c *surveyCommand) stub(all []found) string {
	out := "# A configuration to start from. Keep the devices that are yours, give every\n" +
		"# value you want a point, and try it with tickover check.\n" +
		"set:\n  name: Standby set\n\nlines:\n"
	names := map[string]string{}
	for _, f := range all {
		setting := fmt.Sprintf("%d %s", f.Baud, f.Parity)
		if names[setting] == "" {
			names[setting] = fmt.Sprintf("bus%d", len(names)+1)
			out += c.stubLine(names[setting], f, len(names) > 1)
		}
	}
	out += "\ndevices:\n"
	for _, f := range all {
		name := names[fmt.Sprintf("%d %s", f.Baud, f.Parity)]
		if name == "bus1" {
			out += stubDevice(f, name, "")
		} else {
			out += stubDevice(f, name, "# ")
		}
	}
	return out
}

// stubLine writes a line. One port has one setting: units that answered at
// another are written as remarks.
func (c *surveyCommand) stubLine(name string, f found, again bool) string {
	mark := ""
	if again {
		mark = "# "
	}
	out := fmt.Sprintf("%s  - name: %s\n", mark, name)
	switch {
	case c.ModbusTCP != "":
		return out + fmt.Sprintf("%s    modbus tcp: %s\n", mark, quoted(c.ModbusTCP))
	case c.RTUTCP != "":
		return out + fmt.Sprintf("%s    rtu over tcp: %s\n", mark, quoted(c.RTUTCP))
	}
	out += fmt.Sprintf("%[1]s    serial: %[2]s\n%[1]s    baud: %[3]d\n%[1]s    parity: %[4]s\n", mark, quoted(c.Serial), f.Baud, f.Parity)
	return out + stubStopBits(f, mark)
}

// stubStopBits is the setting of stop bits, left out when it is the usual one.
func stubStopBits(f found, mark string) string {
	if f.StopBits == 0 {
		return ""
	}
	return fmt.Sprintf("%s    stop bits: %d\n", mark, f.StopBits)
}

func stubDevice(f found, line, mark string) string {
	out := fmt.Sprintf("%[1]s  - name: unit%[2]d\n%[1]s    line: %[3]s\n%[1]s    unit: %[2]d\n", mark, f.Unit, line)
	if f.Identity != nil {
		out += fmt.Sprintf("%s    # identity: %q %q %q\n", mark, f.Identity.Vendor, f.Identity.Product, f.Identity.Revision)
	}
	if profile := profileOf(f.SunSpec); profile != "" {
		return out + fmt.Sprintf("%[1]s    profile: %[2]s\n%[1]s    base: %[3]d\n", mark, profile, f.Base)
	}
	remark := ""
	if !f.plain {
		remark = "   # answered with an exception here: find an address it has"
	}
	return out + fmt.Sprintf("%[1]s    points:\n%[1]s      - point: unit%[2]d.first\n%[1]s        quantity: count\n%[1]s        register: %[3]s 0%[4]s\n%[1]s        type: unsigned 16\n",
		mark, f.Unit, f.table, remark)
}
