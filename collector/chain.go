package collector

import (
	"context"
	"errors"
	"fmt"
	"time"

	"tickover/model"
)

// longestChain bounds the walk along a chain of models.
const longestChain = 64

// locate finds where the device's model begins by walking its chain of
// models, and returns the device with its registers moved there.
func locate(d model.Device, read reader) (model.Device, error) {
	two := func(address uint16) ([]uint16, error) {
		a, err := read(model.ReadRequest{Unit: d.Unit, Address: address, Count: 2, Timeout: d.Timeout, MinGap: d.MinGap})
		return a.Words, err
	}
	for _, base := range d.Chain.Bases {
		marker, err := two(base)
		var refused *model.ReadError
		if errors.As(err, &refused) && refused.Cause == model.DeviceException {
			continue
		}
		if err != nil {
			return d, err
		}
		if [2]uint16(marker) == model.ChainMarker {
			return walk(d, int(base)+2, two)
		}
	}
	return d, chainError(d, fmt.Sprintf("the marker SunS stands at none of %v", d.Chain.Bases))
}

func walk(d model.Device, at int, two func(uint16) ([]uint16, error)) (model.Device, error) {
	for range longestChain {
		if at > 65534 {
			break
		}
		header, err := two(uint16(at))
		if err != nil {
			return d, err
		}
		if header[0] == d.Chain.Model {
			moved, ok := d.MovedTo(uint16(at))
			if !ok {
				return d, chainError(d, fmt.Sprintf("model %d at %d reaches beyond the table", d.Chain.Model, at))
			}
			return moved, nil
		}
		if header[0] == model.ChainEnd {
			break
		}
		at += 2 + int(header[1])
	}
	return d, chainError(d, fmt.Sprintf("the chain of models holds no model %d", d.Chain.Model))
}

func chainError(d model.Device, detail string) error {
	return &model.ReadError{
		Cause: model.NotImplemented, Request: fmt.Sprintf("device %s, unit %d", d.Name, d.Unit), Detail: detail,
		Hint: "tickover peek shows raw registers; choose the profile of the model the device really has",
	}
}

// mostOnce is in how many rounds Once may find out what a device refuses.
const mostOnce = 8

// Once reads one group a single time, as peek does. What the device refuses to be
// read across is found out first, as the daemon does, and read around. The scan is
// complete even when the error says that something was not answered.
func Once(ctx context.Context, l Line, def model.Line, g *Group, now func() model.Instant) (*model.Scan, error) {
	p := newPoller(def, l, []*Group{g}, nil, now)
	for range mostOnce - 1 {
		if r := p.round(ctx, p.groups[0]); len(r.learned) == 0 {
			return r.scan, r.err
		}
		p.limits[g.Device.Name].next = time.Time{}
	}
	r := p.round(ctx, p.groups[0])
	return r.scan, r.err
}
