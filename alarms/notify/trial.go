package notify

import (
	"context"
	"fmt"
	"sync"
	"time"

	"tickover/model"
)

// outletTest is one test delivery.
type outletTest struct {
	name, kind string
	do         func(context.Context) error
}

// Test sends a test message to every target, past the queues, and waits for each
// result. The message names who asked for it.
func (d *Dispatcher) Test(ctx context.Context, who string) []model.OutletTrial {
	now := d.parts.Now()
	m := Message{ID: fmt.Sprintf("%d-%d-test", now.Boot, now.Offset), Kind: testKind, At: now,
		Priority: model.Information,
		Text:     "test notification, no alarm"}
	if who != "" {
		m.Text += ", sent by " + who
	}
	var all []outletTest
	for _, p := range d.targets {
		all = append(all, outletTest{p.target.Name, p.target.Kind.String(),
			func(ctx context.Context) error { return p.deliver(ctx, []Message{m}, 0) }})
	}
	if d.parts.Horn != nil {
		all = append(all, outletTest{"hook", "command", d.parts.Horn.try})
	}
	return try(ctx, all)
}

// try runs all tests at once.
func try(ctx context.Context, all []outletTest) []model.OutletTrial {
	results := make([]model.OutletTrial, len(all))
	var work sync.WaitGroup
	for i, one := range all {
		work.Go(func() {
			begin := time.Now()
			err := one.do(ctx)
			results[i] = model.OutletTrial{Name: one.name, Kind: one.kind, Took: time.Since(begin),
				Err: err}
		})
	}
	work.Wait()
	return results
}
