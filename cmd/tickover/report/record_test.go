package report

import (
	"iter"
	"math"
	"time"

	"tickover/model"
)

func at(seconds float64) model.Instant {
	return model.Instant{Boot: 3, Offset: 5*time.Minute + time.Duration(seconds*float64(time.Second))}
}

// hatcheryClock dates boot 3 of the invented test day.
func hatcheryClock() model.Clock {
	wall := time.Date(2025, 11, 8, 18, 30, 0, 0, time.UTC)
	return model.Clock{Boots: []model.Boot{{Number: 3, Kernel: "simulated", First: 5 * time.Minute, Last: 2 * time.Hour,
		Estimates: []model.ClockEstimate{{At: 5 * time.Minute, Wall: wall.UnixNano(), Source: model.ClockPhone}}}}}
}

// hatchery is a hand-made record of an invented run.
func hatchery() *model.RunRecord {
	return &model.RunRecord{
		Version: 1, Simulated: true, ClockKnown: model.ClockPhone, Class: "ISO 8528-5 G1",
		Rating: model.Rating{Name: "Standby set", Site: "Alder Brook fish hatchery", ApparentPower: 50e3, PowerFactor: 0.8,
			Voltage: 400, Frequency: 50, Poles: 4, Battery: 12},
		Run: model.Run{ID: "7", Started: at(0), Ended: at(4200), Cranked: at(20), Stopped: at(2400), Cranks: 2, Starts: 1,
			Running: 39 * time.Minute, Loaded: 25 * time.Minute, States: states()},
		Findings: []string{
			"The engine started at the second crank; oil pressure reached 1.0 bar 2.1 s after self-sustained speed.",
			"Droop 4.2 % at 30 kW: within the 8 % of class G1.",
			"Frequency fell by at least 2.80 Hz at the largest step and recovered in 3 to 4 s.",
			"Phase L3 ran 6.1 V high while L1 alone was loaded.",
			"One critical warning: oil pressure low at 21:13 into the soak, acknowledged by Marta.",
		},
		NotTested: []string{"110 % overload for an hour.", "Voltage recovery after load removal: sampled every 1 s, too slow for a 0.4 s event."},
		Timeline: []model.Event{
			{At: at(12), Kind: model.NoteEvent, Text: "Fuel bled at filter <2>.", Who: "Marta"},
			{At: at(34), Kind: model.EngineEvent, Engine: &model.StateChange{From: model.Cranking, To: model.RunningUp, Evidence: "frequency 31.0 Hz, oil 1.20 bar"}},
			{At: at(300), Kind: model.RemarkEvent, Text: "white smoke", Who: "Marta"},
		},
		FirstStart: []model.StartRecord{
			{At: at(20), Figures: []model.Figure{
				{Name: "crank time", Value: 8, Unit: "s", Known: true, Limit: "≤ 15 s", LimitSource: "starter makers' habit", Confidence: "common practice", Verdict: model.Within, Seen: 100 * time.Millisecond},
				model.NotKnown("time to oil pressure", "", "s", "the engine did not reach self-sustained speed")}},
			{At: at(30), Started: true, Figures: []model.Figure{
				{Name: "lowest battery voltage", Value: 9.32, Unit: "V", Known: true, Bound: model.Exact, Uncertainty: 0.05, Limit: "≥ 9.6 V", LimitSource: "battery load test table at 21 °C", Confidence: "seen", Verdict: model.Outside, Reason: "lower by 0.28 V", Seen: 100 * time.Millisecond},
				{Name: "frequency overshoot", Value: 3.1, Unit: "%", Known: true, Bound: model.AtLeast, Verdict: model.NoLimit, Seen: time.Second}}},
		},
		Steps: []model.LoadStep{{At: at(600), Phases: "L1", From: 0, To: 5200,
			Before:  map[model.PointID]float64{model.FrequencyPoint: 52.1, model.VoltageL1N: 231.2, model.VoltageL2N: 231, model.VoltageL3N: 231.4},
			After:   map[model.PointID]float64{model.FrequencyPoint: 51.7, model.VoltageL1N: 227.9, model.VoltageL2N: 232.2, model.VoltageL3N: 237.3},
			Figures: []model.Figure{dip()}},
			{At: at(900), Phases: "L1 L2 L3", From: 5200, To: 30000, Figures: []model.Figure{dip()}}},
		Steady: []model.SteadySpan{{From: at(700), To: at(880), Load: 5200, Points: map[model.PointID]model.Spread{
			model.VoltageUnbalance: {Mean: 0.021, Min: 0.019, Max: 0.024, Count: 180},
			model.FrequencyPoint:   {Mean: 51.7, Min: 51.6, Max: 51.8, Count: 180}}}},
		Figures: []model.Figure{
			{Name: "frequency droop", Symbol: "δf_st", Value: 4.2, Unit: "%", Known: true, Uncertainty: 0.1, Limit: "≤ 8 %", LimitSource: "ISO 8528-5 table 4, G1", Confidence: "from memory", Verdict: model.Within, Seen: time.Second},
			{Name: "steady frequency band", Symbol: "β_f", Value: math.NaN(), Unit: "%", Known: true, Limit: "≤ 2.5 %", LimitSource: "ISO 8528-5 table 4, G1", Confidence: "from memory", Verdict: model.NotDetermined, Reason: "no reading was good"},
		},
		Soak: []model.LogRow{{At: at(1800), Over: 15 * time.Minute, Values: map[model.PointID]float64{
			model.PowerActive: 30100, model.OilPressure: 310000, model.CoolantTemperature: 84.2}}},
		Alarms: []model.AlarmEvent{{At: at(1273), Rule: "oil.pressure.low", Label: "Oil pressure low", Priority: model.Critical,
			To: model.AlarmUnacknowledged, Value: 98000, Quality: model.Good, Limit: 105000, Point: model.OilPressure, Quantity: model.Pressure,
			Engine: model.Loaded, FirstOut: true, Action: "Stop the engine by hand."},
			{At: at(1290), Rule: "oil.pressure.low", Label: "Oil pressure low", Priority: model.Critical,
				From: model.AlarmUnacknowledged, To: model.AlarmAcknowledged, Quantity: model.Pressure, Limit: 105000, Who: "Marta", Why: "gauge shows 3 bar, sender loose"}},
		Hand: []model.Event{{At: at(2), Kind: model.MeasurementEvent, Who: "Marta", Hand: &model.Measurement{Kind: "insulation resistance", Points: "U-E",
			Value: 12e6, Quantity: model.Resistance, Instrument: "500 V tester no. 4, calibrated 2025-03", Conditions: map[string]float64{"winding temperature, °C": 14}}}},
		Sensors: []model.Point{{ID: model.FrequencyPoint, Label: "Frequency", Quantity: model.Frequency, Device: "meter", Every: time.Second},
			{ID: model.OilPressure, Label: "Oil pressure", Quantity: model.Pressure, Device: "analog", Every: time.Second, Class: 5000}},
	}
}

func dip() model.Figure {
	return model.Figure{Name: "transient frequency difference", Symbol: "δf_dyn", Value: -5.6, Unit: "%", Known: true, Bound: model.AtLeast, Limit: "≥ −15 %",
		LimitSource: "ISO 8528-5 table 4, G1", Confidence: "from memory", Verdict: model.NotDetermined,
		Reason: "the true dip may be deeper than what was seen every 1 s", Seen: time.Second}
}

func states() []model.StateSpan {
	return []model.StateSpan{
		{State: model.Standstill, From: at(0), To: at(20), Evidence: "no frequency, oil 0.00 bar"},
		{State: model.Cranking, From: at(20), To: at(34), Evidence: "battery 9.3 V"},
		{State: model.Unloaded, From: at(34), To: at(600), Evidence: "52.1 Hz, 0.0 kW"},
		{State: model.Loaded, From: at(600), To: at(2100), Evidence: "51.7 Hz, 5.2 kW"},
		{State: model.Unloaded, From: at(2100), To: at(2400), Evidence: "52.1 Hz, 0.0 kW"},
		{State: model.Standstill, From: at(2400), To: at(4200), Evidence: "no frequency"},
	}
}

// load gives the active power t seconds into the invented run.
func load(t float64) float64 {
	switch {
	case t >= 600 && t < 900:
		return 5200
	case t >= 900 && t < 2100:
		return 30000
	}
	return 0
}

// shape gives the sample values t seconds into the run.
func shape(t float64) map[model.PointID]float64 {
	turning := t >= 34 && t < 2400
	m := map[model.PointID]float64{model.CoolantTemperature: 14 + 70*(1-math.Exp(-max(0, t-34)/500)), model.BatteryVoltage: 12.6}
	if t >= 20 && t < 34 {
		m[model.BatteryVoltage] = 9.3 + 0.2*math.Sin(7*t)
	}
	for i, p := range model.PhaseActive {
		m[p] = load(t) / 3
		if t >= 600 && t < 900 {
			m[p] = map[int]float64{0: 5200}[i]
		}
		m[model.PhaseVoltages[i]] = 0
	}
	m[model.PowerActive], m[model.FrequencyPoint], m[model.OilPressure] = load(t), 0, 0
	if !turning {
		return m
	}
	m[model.BatteryVoltage] = 14.1
	m[model.FrequencyPoint] = 52.1 - load(t)/30000*2.1 + 0.05*math.Sin(t)
	if t == 900 {
		m[model.FrequencyPoint] = 47.2
	}
	m[model.OilPressure] = (4.2 - 1.1*(1-math.Exp(-(t-34)/500))) * 1e5
	if t >= 1273 && t < 1280 {
		m[model.OilPressure] = 98000
	}
	for i, p := range model.PhaseVoltages {
		m[p] = 231 - load(t)/30000*2 + float64(i) + 0.3*math.Sin(t+float64(i))
	}
	return m
}

// hatcherySeries gives the invented run's samples every second, with a silence
// of three minutes and one failed sensor.
func hatcherySeries(q model.Query) iter.Seq2[*model.Scan, error] {
	return func(yield func(*model.Scan, error) bool) {
		for t := range 4200 {
			if t >= 1500 && t < 1680 || !q.Within(at(float64(t))) {
				continue
			}
			scan := &model.Scan{Group: "meter/1s", At: at(float64(t))}
			for p, v := range shape(float64(t)) {
				if p == model.CoolantTemperature && t > 400 && t < 520 {
					scan.Samples = append(scan.Samples, model.BadSample(p, model.SensorFailed))
				} else if q.Wants(p) {
					scan.Samples = append(scan.Samples, model.GoodSample(p, v))
				}
			}
			if !yield(scan, nil) {
				return
			}
		}
	}
}
