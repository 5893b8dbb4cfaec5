package performance

import (
	"fmt"
	"math"
	"testing"
	"time"

	"tickover/model"
)

// soak is hours of a loaded set at one reading of 32 points a second.
func soak(hours float64) Input {
	in := Input{Rating: model.Rating{ApparentPower: 50e3, PowerFactor: 0.8, Voltage: 400, Frequency: 50}}
	end := hours * 3600
	in.Run = model.Run{ID: "1", Started: instant(0), States: []model.StateSpan{{State: model.Loaded, From: instant(0), To: instant(end)}}}
	points := shownPoints
	for len(points) < 32 {
		points = append(points, model.PointID(fmt.Sprintf("winding.temperature.%d", len(points))))
	}
	// Values are made beforehand: making them would cost more than the work on them.
	var values [7 * 32]float64
	for i := range values {
		values[i] = 50 + math.Mod(float64(i/32)*float64(i%32+1), 7)/100
	}
	scan := &model.Scan{Group: "meter/1s", Samples: make([]model.Sample, 32)}
	in.Scans = func(yield func(*model.Scan, error) bool) {
		for t := 0.0; t < end; t++ {
			scan.At = model.Instant{Boot: 1, Offset: time.Duration(t) * time.Second}
			for i := range scan.Samples {
				scan.Samples[i] = model.GoodSample(points[i], values[32*(int(t)%7)+i])
			}
			if !yield(scan, nil) {
				return
			}
		}
	}
	return in
}

// BenchmarkSoak prints the cost for each length; ns/sample staying level says
// that it is linear.
func BenchmarkSoak(b *testing.B) {
	for _, hours := range []float64{1, 6, 24, 72} {
		b.Run(fmt.Sprintf("%gh", hours), func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if _, err := Record(soak(hours)); err != nil {
					b.Fatal(err)
				}
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/(hours*3600*32), "ns/sample")
		})
	}
}
