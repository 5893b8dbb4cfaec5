package transducer

import (
	"math"
	"slices"

	"tickover/model"
)

// The windows of NAMUR NE 43 as shares of the span of 4-20 mA: a reading holds
// from 3.8 to 20.5 mA, 3.6 mA and 21.0 mA say that the sensor failed.
const (
	failLow, sureLow   = (3.6 - 4) / 16, (3.8 - 4) / 16
	sureHigh, failHigh = (20.5 - 4) / 16, (21.0 - 4) / 16
	// windowSlack allows for the last digit of a register, of the span.
	windowSlack = 1e-9
)

// linear goes straight through both ends and on beyond them as far as NE 43
// lets a reading hold; between that and failure the value is implausible. The
// windows are scaled to other live signals. A signal that begins at zero has
// no window below: an open wire then looks like the low end.
func linear(s *model.Sensor, signal float64) (float64, model.Cause) {
	x := (signal - s.In[0]) / (s.In[1] - s.In[0])
	low := s.In[0] != 0
	switch {
	case (s.Fail[0] != 0 || s.Fail[1] != 0) && (signal <= s.Fail[0] || signal >= s.Fail[1]),
		low && x <= failLow+windowSlack, x >= failHigh-windowSlack:
		return 0, model.SensorFailed
	case low && x < sureLow-windowSlack, x > sureHigh+windowSlack:
		return 0, model.Implausible
	}
	return s.Out[0] + x*(s.Out[1]-s.Out[0]), model.NoCause
}

// tableSlack is how far beyond its ends a table is used, of its span.
const tableSlack = 0.01

// table goes in straight lines from pair to pair, which keeps a rising table
// rising. At the ends it holds the last value for 1 % of the span; beyond,
// nothing is known. A resistance far beyond is a short or a break.
func table(s *model.Sensor, signal float64) (float64, model.Cause) {
	t := s.Table
	first, last := t[0], t[len(t)-1]
	slack := tableSlack * (last[0] - first[0])
	switch {
	case s.Signal == model.Resistance && s.Supply == "" &&
		(signal <= 0.2*first[0] || signal >= 2*last[0]),
		s.Supply != "" && (signal <= 0.005 || signal >= 0.995):
		return 0, model.SensorFailed
	case signal < first[0]-slack, signal > last[0]+slack:
		return 0, model.Implausible
	case signal <= first[0]:
		return first[1], model.NoCause
	case signal >= last[0]:
		return last[1], model.NoCause
	}
	i, _ := slices.BinarySearchFunc(t, signal, func(p [2]float64, x float64) int {
		if p[0] < x {
			return -1
		}
		return 1
	})
	a, b := t[i-1], t[i]
	return a[1] + (signal-a[0])/(b[0]-a[0])*(b[1]-a[1]), model.NoCause
}

// backThroughTable finds the signal of a value; NaN when no pair spans it.
func backThroughTable(t [][2]float64, v float64) float64 {
	for i := 1; i < len(t); i++ {
		a, b := t[i-1], t[i]
		if (v-a[1])*(v-b[1]) <= 0 && a[1] != b[1] {
			return a[0] + (v-a[1])/(b[1]-a[1])*(b[0]-a[0])
		}
	}
	return math.NaN()
}
