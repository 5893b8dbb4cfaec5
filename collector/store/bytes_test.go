package store

import (
	"crypto/sha256"
	"encoding/hex"
	"testing"

	"tickover/testdata/soak"
)

// TestBytesAreTheSameEverywhere packs ten minutes of made-up readings, given as
// counts so that no machine's floating point has a part in making them, and
// compares blocks and minutes with what another machine wrote.
func TestBytesAreTheSameEverywhere(t *testing.T) {
	sum := sha256.New()
	points := soak.Points()
	g := soak.New()
	rows := map[string]*rows{}
	for i := range 600 {
		for _, scan := range g.Next() {
			r := rows[scan.Group]
			if r == nil {
				sc := &schema{group: scan.Group}
				for _, x := range scan.Samples {
					sc.points = append(sc.points, x.Point)
					sc.scales = append(sc.scales, scaleOf(points[x.Point]))
				}
				r = newRows(sc, 1)
				rows[scan.Group] = r
			}
			for c := range scan.Samples {
				k := 2300 + (int64(i*i)*7919+int64(c)*104729)%int64(7+c*13)
				x := float64(k) / 10
				if scan.Group == soak.Meter {
					x = float64(float32(x))
				}
				scan.Samples[c].Value = x
			}
			r.add(scan)
		}
	}
	for _, group := range []string{soak.Meter, soak.Adapter} {
		sum.Write(encodeRows(rows[group]))
		sum.Write(summarise(rows[group]).encode())
	}
	const want = "b0c457dfd5bbfdffe13ba3b191eac5230dff00dc0cc8c3461cd60d52bc50963b"
	if got := hex.EncodeToString(sum.Sum(nil)); got != want {
		t.Fatalf("sum %s, on amd64 %s", got, want)
	}
	late := rows[soak.Meter]
	for c := range late.lags {
		for i := range late.at {
			late.lags[c] = lagged(late.lags[c], i, int32(100+100*(c%3)+i*7919%(4+c%3)))
		}
	}
	const wantLate = "edc80ec5b68b77867e1cc398d3ea73f112ac80294b09429da14f0d6fec7f6424"
	sum = sha256.New()
	sum.Write(encodeRows(late))
	if got := hex.EncodeToString(sum.Sum(nil)); got != wantLate {
		t.Fatalf("with lags sum %s, on amd64 %s", got, wantLate)
	}
}
