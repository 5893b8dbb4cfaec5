package page

import (
	"strings"

	"tickover/model"
)

// otherReadings are the well-known points that no figure of the page of now is for,
// with what people call them, and what a contact says when it is 0 and when it is 1.
var otherReadings = []struct {
	point     model.PointID
	name      string
	off, when string
}{
	{model.EmergencyStop, "emergency stop", "not operated", "OPERATED"},
	{model.CoolantLevelSwitch, "coolant level", "enough", "LOW"},
	{model.BreakerClosed, "breaker", "open", "closed"},
	{model.WindingL1, "winding L1", "", ""}, {model.WindingL2, "winding L2", "", ""}, {model.WindingL3, "winding L3", "", ""},
	{model.BearingTemperature, "bearing", "", ""},
	{model.NeutralToEarth, "neutral to earth", "", ""},
	{model.ResidualCurrent, "residual current", "", ""},
}

// others names what else the set's instruments show, in one line; empty when none
// of these points is set up. What cannot be believed is named with its reason.
func (g readout) others() string {
	var words []string
	for _, o := range otherReadings {
		if _, configured := g.points[o.point]; !configured {
			continue
		}
		words = append(words, o.name+" "+g.other(o.point, o.off, o.when))
	}
	return strings.Join(words, ", ")
}

func (g readout) other(p model.PointID, off, when string) string {
	r, ok := g.snap.Readings[p]
	switch {
	case !ok:
		return "not read yet"
	case g.stale(p, r) && r.Cause != model.NoCause:
		return "— (" + r.Cause.String() + ")"
	case g.stale(p, r):
		return "— (too old)"
	case when == "":
		return g.quantity(p).ShowWithUnit(r.Value)
	case r.Value > 0.5:
		return when
	}
	return off
}
