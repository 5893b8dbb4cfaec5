package model

// SensorKind says how what a sensor signals becomes what it measures. The
// zero value is DirectSensor.
type SensorKind uint8

// The kinds of sensor.
const (
	DirectSensor          SensorKind = iota // the register holds the physical value already
	ResistanceThermometer                   // platinum, IEC 60751
	ThermocoupleSensor                      // ITS-90, types K, J and T
	ThermistorBeta                          // one resistance, its temperature and a beta
	ThermistorSteinhart                     // Steinhart-Hart, three coefficients
	LinearSensor                            // a current or voltage signal, or a share of its supply
	TableSensor                             // pairs, straight lines in between
	PulseSensor                             // pulses a second over pulses for one turn or one volume
)

// String names the kind in words.
func (k SensorKind) String() string {
	return word([]string{"direct", "resistance thermometer", "thermocouple", "thermistor by beta", "thermistor by Steinhart-Hart",
		"linear signal", "table", "pulses"}, int(k))
}

// Sensor describes the way from a raw point, which is what a register said
// and what the store keeps, to the physical point. The physical value is
// worked out anew whenever it is read, so mending a wrong description mends
// the whole record. Fields that the kind does not need are zero.
type Sensor struct {
	Kind  SensorKind
	Words string // as the configuration has it, such as "Pt100, class B"
	// Raw is the point whose register holds the signal, in the canonical unit
	// of Signal.
	Raw    PointID
	Signal Quantity

	R0     float64 // Ω at 0 °C (platinum), or at T0 (beta)
	Leads  float64 // Ω of both wires of a two-wire sensor, taken off; 0 means none
	Class  string  // tolerance class of IEC 60751: "AA", "A", "B", "C"; empty means not stated
	Couple string  // "K", "J" or "T"
	// ColdPoint is the temperature of the terminals, read with the signal;
	// empty means that Cold (°C) holds.
	ColdPoint PointID
	Cold      float64
	T0, Beta  float64    // °C and K, of the beta equation
	Hart      [3]float64 // A, B, C of Steinhart-Hart, R in Ω, T in K

	In, Out [2]float64 // signal and value at the two ends of a linear signal
	// Fail is the signal at and beyond which the sensor has failed, below and
	// above; a zero value of both means no such window. Only LinearSensor.
	Fail [2]float64
	// Supply is the point a ratiometric signal is divided by; empty means none.
	Supply PointID
	Table  [][2]float64 // signal and value, signal rising
	PerOne float64      // pulses for one revolution or one m³

	Calibration *Calibration // nil means none
}

// Calibration is a two-point correction, applied last.
type Calibration struct {
	Shown, True [2]float64 // what was shown and what it should have been, canonical unit
	Validity
}

// rawSuffix follows the ID of a physical point in the name of its raw one.
const rawSuffix = ".raw"

// RawPoint names the raw point of a physical one.
func RawPoint(p PointID) PointID { return p + rawSuffix }
