package store

import (
	"math/rand/v2"
	"testing"
	"time"

	"tickover/model"
)

// meterHour makes an hour of 24 points at 1 Hz, in registers' resolution,
// with noise and stamps that jitter by 3 ms.
func meterHour() (points map[model.PointID]model.Point, scans []*model.Scan) {
	random := rand.New(rand.NewPCG(7, 7))
	points = map[model.PointID]model.Point{}
	names := []model.PointID{}
	for i := range 24 {
		id := model.PointID("point." + string(rune('a'+i)))
		names = append(names, id)
		points[id] = model.Point{ID: id, Register: model.Register{Resolution: model.Resolution{Num: 1, Den: 10}}}
	}
	for sec := range 3600 {
		at := time.Duration(sec)*time.Second + time.Duration(random.IntN(7))*time.Millisecond
		scan := scanAt("meter/1s", 1, at)
		for i, id := range names {
			k := 2300 + 100*int64(i) + int64(random.NormFloat64()*float64(1+i%4))
			scan.Samples = append(scan.Samples, model.GoodSample(id, model.Resolution{Num: 1, Den: 10}.Value(k)))
		}
		scan.Measured = len(scan.Samples)
		scans = append(scans, scan)
	}
	return points, scans
}

func benchStore(b *testing.B) (*Store, []*model.Scan) {
	points, scans := meterHour()
	o := options(b.TempDir())
	o.Points = points
	return mustOpen(b, o), scans
}

func BenchmarkAppend(b *testing.B) {
	s, scans := benchStore(b)
	hour := 0
	for b.Loop() {
		for _, scan := range scans {
			again := *scan
			again.At.Offset += time.Duration(hour) * time.Hour
			if err := s.Append(&again, nil); err != nil {
				b.Fatal(err)
			}
		}
		hour++
	}
	samples := float64(hour * len(scans) * 24)
	b.ReportMetric(samples/b.Elapsed().Seconds()/1e6, "Msamples/s")
	slots := float64(s.ring.next-1) * slotSize
	b.ReportMetric(slots/samples, "ringB/sample")
}

func BenchmarkScan(b *testing.B) {
	for name, q := range map[string]model.Query{"all": {}, "one": {Points: []model.PointID{"point.c"}}} {
		b.Run(name, func(b *testing.B) {
			s, scans := benchStore(b)
			for _, scan := range scans {
				mustAppend(b, s, scan)
			}
			n := 0
			for b.Loop() {
				for scan, err := range s.Scans(q) {
					if err != nil {
						b.Fatal(err)
					}
					n += len(scan.Samples)
				}
			}
			b.ReportMetric(float64(n)/b.Elapsed().Seconds()/1e6, "Msamples/s")
		})
	}
}

func BenchmarkBlock(b *testing.B) {
	points, scans := meterHour()
	sc := &schema{group: "meter/1s"}
	for _, x := range scans[0].Samples {
		sc.points = append(sc.points, x.Point)
		sc.scales = append(sc.scales, scaleOf(points[x.Point]))
	}
	r := newRows(sc, 1)
	for _, scan := range scans[:600] {
		r.add(scan)
	}
	size, n := 0, 0
	for b.Loop() {
		size = len(encodeRows(r))
		n += 600 * 24
	}
	b.ReportMetric(float64(size)/(600*24), "B/sample")
	b.ReportMetric(float64(n)/b.Elapsed().Seconds()/1e6, "Msamples/s")
}
