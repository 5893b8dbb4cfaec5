package model

// Caution is one danger of working beside a running set, in a few words and
// in full.
type Caution struct{ Title, Text string }

// Advisory is the sentence that stands on every page and report.
const Advisory = "This logger only watches. It is not a protective device: it stops nothing and replaces no hardwired shutdown."

// Cautions lists what everybody beside the set must know. The slice is new.
func Cautions() []Caution {
	return []Caution{
		{"Exhaust gas", "It carries carbon monoxide, which has no smell and kills. Run the set outdoors or with the exhaust led outdoors, away from windows and air intakes. Have a certified carbon monoxide alarm in every room nearby. Headache or dizziness: get out first, ask questions in fresh air."},
		{"Hot parts", "Exhaust, turbocharger, radiator and oil burn skin. Coolant is under pressure: leave the cap closed until it has cooled."},
		{"Rotating parts", "Fan, belts and coupling can start without warning. Keep the guards on and sleeves and hair away. Disconnect the starter battery before hands go in."},
		{"Electricity", "230 V and 400 V kill. Terminals are live for as long as anything turns, and a set without excitation can still give tens of volts. Never open the secondary side of a current transformer that carries current. Pull the meter's voltage fuses before an insulation test."},
		{"Backfeed", "Never connect the set to wiring that also has mains except through a proper changeover switch fitted by a licensed electrician. It can kill somebody working on the line."},
		{"Stored energy", "Batteries give hundreds of amperes and explosive gas; springs, capacitors and fuel under injection pressure hold their energy after the stop. Injected fuel is a surgical emergency."},
		{"Fuel and fire", "Do not refuel a hot engine. Catch drips, keep an extinguisher within reach, and keep a way to cut fuel and air by hand: an engine that runs away doubles its speed in about a second."},
		{"Noise", "Wear hearing protection beside the set. You will not hear a telephone there."},
		{"Working alone", "Tell somebody where you are and agree on times to call. Keep emergency stop and fuel cut within reach. Do not prove protective devices alone."},
		{"Not a protective device", "Alarms here are advice that may come late, wrongly or not at all. Oil pressure, temperature and overspeed shutdowns must be hardwired and proven at the device."},
		{"Rules and people first", "Local codes, the makers' manuals and licensed people come before anything this program says."},
	}
}
