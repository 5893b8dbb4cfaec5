package config

import (
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"tickover/model"
)

// sensorHint shows one of each kind.
const sensorHint = "write Pt100, Pt1000, thermocouple K, thermistor 10 kohm at 25 °C with beta " +
	"3950, 4-20 mA 0 bar..10 bar, " +
	"ratio 10 %..90 % 0 bar..10 bar, table ohm, pulses 120 per revolution, or direct"

// sensed reads the sensor between register and value. It reports false when that is not
// known, and so neither what the register holds.
func (p *configPoint) sensed() bool {
	if p.values["sensor"] == nil {
		for _, key := range []string{"table", "calibration"} {
			if p.values[key] != nil {
				p.wrong(p.at(key), "add sensor: with what the table belongs to, or sensor: direct",
					"%q needs a sensor", key)
			}
		}
		return true
	}
	t, ok := p.text("sensor")
	if !ok {
		return false
	}
	head, clauses := clausesOf(t)
	s := &model.Sensor{Words: strings.Join(strings.Fields(t), " "), Raw: model.RawPoint(p.ID),
		Signal: p.Quantity}
	if !p.sensorHead(s, head) || !p.sensorClauses(s, clauses) {
		return false
	}
	p.Sensor = s
	p.tabled(s)
	p.calibrated(s)
	return true
}

// clausesOf parts "Pt100, class B, leads 0.4 ohm" at its commas.
func clausesOf(t string) (head string, clauses []string) {
	parts := strings.Split(t, ",")
	for i := range parts {
		parts[i] = strings.Join(strings.Fields(parts[i]), " ")
	}
	return parts[0], parts[1:]
}

// A sensorForm is one way a sensor may be written.
type sensorForm struct {
	words    *regexp.Regexp
	measures []model.Quantity // what it can measure; nil means anything
	read     func(p *configPoint, s *model.Sensor, words []string) bool
}

var temperature = []model.Quantity{model.Temperature}

func sensorForms() []sensorForm {
	return []sensorForm{
		{regexp.MustCompile(`^(?i:pt)(100|1000)$`), temperature, (*configPoint).platinum},
		{regexp.MustCompile(`^thermocouple (\S+)$`), temperature, (*configPoint).thermocouple},
		{regexp.MustCompile(`^thermistor (.+) at (.+) with beta ([0-9.]+)(?: K)?$`),
			temperature, (*configPoint).beta},
		{regexp.MustCompile(`^thermistor with coefficients (\S+) (\S+) (\S+)$`),
			temperature, (*configPoint).steinhart},
		{regexp.MustCompile(`^([0-9.]+)-([0-9.]+) (mA|V|mV) (.+\.\..+)$`),
			nil, (*configPoint).loop},
		{regexp.MustCompile(`^ratio ([0-9.]+) %\.\.([0-9.]+) % (.+\.\..+)$`),
			nil, (*configPoint).ratiometric},
		{regexp.MustCompile(`^table (ohm|mA|V|mV|Hz|%)$`), nil, (*configPoint).ofTable},
		{regexp.MustCompile(`^pulses ([0-9.]+) per (revolution|L|m³|m3)$`),
			nil, (*configPoint).pulses},
		{regexp.MustCompile(`^direct$`),
			nil, func(*configPoint, *model.Sensor, []string) bool { return true }},
	}
}

func (p *configPoint) sensorHead(s *model.Sensor, head string) bool {
	for _, f := range sensorForms() {
		words := f.words.FindStringSubmatch(head)
		if words == nil {
			continue
		}
		if f.measures != nil && !slices.Contains(f.measures, p.Quantity) {
			p.wrong(p.at("sensor"), "remove this line, or give the point another quantity",
				"%s measures %s, not %s", head, f.measures[0], p.Quantity)
			return false
		}
		return f.read(p, s, words)
	}
	p.wrong(p.at("sensor"), sensorHint, "%q is not a known sensor", head)
	return false
}

func (p *configPoint) platinum(s *model.Sensor, words []string) bool {
	s.Kind, s.Signal = model.ResistanceThermometer, model.Resistance
	s.R0, _ = strconv.ParseFloat(words[1], 64)
	return true
}

func (p *configPoint) thermocouple(s *model.Sensor, words []string) bool {
	s.Kind, s.Signal, s.Couple = model.ThermocoupleSensor, model.Voltage, words[1]
	if !slices.Contains([]string{"K", "J", "T"}, s.Couple) {
		p.wrong(p.at("sensor"), "use type K, J or T; for others, use a module that converts",
			"thermocouple type %q is not supported", s.Couple)
		return false
	}
	return true
}

func (p *configPoint) beta(s *model.Sensor, words []string) (ok bool) {
	s.Kind, s.Signal = model.ThermistorBeta, model.Resistance
	var cold bool
	s.R0, ok = p.part(words[1], model.Resistance)
	s.T0, cold = p.part(words[2], model.Temperature)
	s.Beta, _ = strconv.ParseFloat(words[3], 64)
	if ok && cold && (s.R0 <= 0 || s.Beta < 500 || s.Beta > 10000) {
		p.wrong(p.at("sensor"), "use a beta between 500 and 10000 K and a resistance above 0",
			"%q is not a valid thermistor", words[0])
		return false
	}
	return ok && cold
}

func (p *configPoint) steinhart(s *model.Sensor, words []string) bool {
	s.Kind, s.Signal = model.ThermistorSteinhart, model.Resistance
	for i := range 3 {
		v, err := strconv.ParseFloat(words[i+1], 64)
		if err != nil || v < 0 || v > 0.1 {
			p.wrong(p.at("sensor"),
				"write A, B and C such as 1.104e-3 2.389e-4 6.93e-8, for ohm and kelvin",
				"%q is not a coefficient", words[i+1])
			return false
		}
		s.Hart[i] = v
	}
	return true
}

// loop reads "4-20 mA 0 bar..10 bar".
func (p *configPoint) loop(s *model.Sensor, words []string) (ok bool) {
	s.Kind, s.Signal = model.LinearSensor, model.Voltage
	if words[3] == "mA" {
		s.Signal = model.Current
	}
	for i := range 2 {
		if s.In[i], ok = p.part(words[i+1]+" "+words[3], s.Signal); !ok {
			return false
		}
	}
	return p.outOf(s, words[4])
}

// ratiometric reads "ratio 10 %..90 % 0 bar..10 bar, supply from X".
func (p *configPoint) ratiometric(s *model.Sensor, words []string) (ok bool) {
	s.Kind, s.Signal = model.LinearSensor, model.Voltage
	for i := range 2 {
		if s.In[i], ok = p.part(words[i+1]+" %", model.Ratio); !ok {
			return false
		}
	}
	return p.outOf(s, words[3])
}

// outOf reads the values at the ends of a linear signal.
func (p *configPoint) outOf(s *model.Sensor, text string) bool {
	from, to, _ := strings.Cut(text, "..")
	low, ok := p.part(strings.TrimSpace(from), p.Quantity)
	high, fine := p.part(strings.TrimSpace(to), p.Quantity)
	if !ok || !fine {
		return false
	}
	s.Out = [2]float64{low, high}
	if s.In[0] >= s.In[1] || low == high {
		p.wrong(p.at("sensor"), "write a signal that rises, and two different values",
			"%q has no range", s.Words)
		return false
	}
	return true
}

// part reads one value inside the sensor's words.
func (p *configPoint) part(text string, q model.Quantity) (float64, bool) {
	v, err := model.ParseValue(text, q)
	if err != nil {
		p.refused(p.at("sensor"), err)
		return 0, false
	}
	return v, true
}

var tableSignals = map[string]model.Quantity{"ohm": model.Resistance, "mA": model.Current,
	"V": model.Voltage, "mV": model.Voltage,
	"Hz": model.Frequency, "%": model.Voltage}

func (p *configPoint) ofTable(s *model.Sensor, words []string) bool {
	s.Kind, s.Signal = model.TableSensor, tableSignals[words[1]]
	if p.values["table"] == nil {
		p.wrong(p.at("sensor"), "add table: [10 ohm = 0 bar, 82 ohm = 4 bar, 184 ohm = 10 bar]",
			"the table is missing")
		return false
	}
	return true
}

func (p *configPoint) pulses(s *model.Sensor, words []string) bool {
	s.Kind, s.Signal = model.PulseSensor, model.Frequency
	s.PerOne, _ = strconv.ParseFloat(words[1], 64)
	want := model.VolumeFlow
	switch words[2] {
	case "revolution":
		want = model.Speed
	case "L":
		s.PerOne *= 1000
	}
	if p.Quantity != want || s.PerOne <= 0 {
		p.wrong(p.at("sensor"), "use per revolution for a speed, per L for a volume flow",
			"%q does not measure %s", words[0], p.Quantity)
		return false
	}
	return true
}

var dated = regexp.MustCompile(`^(.+) means (.+?), (.+) means (.+?)` +
	`(?:, on (.+?)(?:, valid ([1-9][0-9]{0,2}) months)?)?$`)

// calibrated reads "0.1 bar means 0 bar, 8.2 bar means 8 bar, on 2026-03-01,
// valid 24 months".
func (p *configPoint) calibrated(s *model.Sensor) {
	t, ok := p.text("calibration")
	if !ok {
		if p.values["calibration"] == nil && s.Kind == model.DirectSensor {
			p.wrong(p.at("sensor"),
				"add calibration: 0.1 bar means 0 bar, 8.2 bar means 8 bar, on 2026-03-01, or "+
					"remove this line", "a direct sensor without calibration has no effect")
		}
		return
	}
	words := dated.FindStringSubmatch(strings.Join(strings.Fields(t), " "))
	if words == nil {
		p.wrong(p.at("calibration"),
			"write 0.1 bar means 0 bar, 8.2 bar means 8 bar, on 2026-03-01, valid 12 months",
			"%q is not a calibration", t)
		return
	}
	c := &model.Calibration{}
	for i, to := range []*float64{&c.Shown[0], &c.True[0], &c.Shown[1], &c.True[1]} {
		v, err := model.ParseValue(words[i+1], p.Quantity)
		if err != nil {
			p.refused(p.at("calibration"), err)
			return
		}
		*to = v
	}
	if words[5] != "" {
		day, err := time.Parse("2006-01-02", words[5])
		if err != nil {
			p.wrong(p.at("calibration"), "write the day as 2026-03-01", "%q is not a date",
				words[5])
			return
		}
		c.On = day
		c.Months, _ = strconv.Atoi(words[6]) // nothing, or three digits
	}
	if c.Shown[0] == c.Shown[1] || c.True[0] == c.True[1] {
		p.wrong(p.at("calibration"), "use two points far apart",
			"the two calibration points are equal")
		return
	}
	s.Calibration = c
}
