package alarms

// Renamed returns the standard rule that replaced one of an earlier version; "" for
// every other name. A user's alarm under the old name replaces nothing.
func Renamed(id string) string { return renamed[id] }

var renamed = map[string]string{
	"voltage.l1n.far.low": "voltage.lost", "voltage.l2n.far.low": "voltage.lost",
	"voltage.l3n.far.low": "voltage.lost",
	"voltage.l12.far.low": "voltage.lost", "voltage.l23.far.low": "voltage.lost",
	"voltage.l31.far.low":  "voltage.lost",
	"voltage.l1n.far.high": "voltage.high", "voltage.l2n.far.high": "voltage.high",
	"voltage.l3n.far.high": "voltage.high",
	"voltage.l12.far.high": "voltage.high", "voltage.l23.far.high": "voltage.high",
	"voltage.l31.far.high": "voltage.high",
	"voltage.l1n.off":      "voltage.off", "voltage.l2n.off": "voltage.off",
	"voltage.l3n.off": "voltage.off",
	"voltage.l12.off": "voltage.off", "voltage.l23.off": "voltage.off",
	"voltage.l31.off": "voltage.off",
}
