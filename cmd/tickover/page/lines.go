package page

import (
	"net/http"
	"strconv"

	"tickover/cmd/tickover/api"
	"tickover/model"
)

func (srv *server) apiLines(w http.ResponseWriter, _ *http.Request) {
	snap := srv.latest(w)
	if snap == nil {
		return
	}
	out := []api.Line{}
	for _, l := range snap.Lines {
		out = append(out, lineOf(l, snap.Devices))
	}
	send(w, out)
}

func lineOf(l model.LineHealth, devices []model.DeviceHealth) api.Line {
	out := api.Line{Line: l.Name, Kind: l.Kind.String(), Open: l.Open, Trouble: l.Trouble, Burst: l.Burst, Planned: l.Planned, Bursts: l.BurstEvery.Seconds(), Up: l.Up.Seconds(),
		Reopened: l.Reopened, Overruns: l.Overruns, Lacks: append([]string{}, l.Lacks...), Units: []api.LineUnit{}, LineCounts: api.LineCounts{Messages: l.Messages, Corrupt: l.Corrupt, NoAnswers: l.NoAnswers, Foreign: l.Foreign, Retries: l.Retries, Late: l.Late, Fences: l.Fences, Echoes: l.Echoes, Ghosts: l.Ghosts, Exceptions: byCode(l.Exceptions)}}
	if l.Up > 0 {
		out.Share = l.Busy.Seconds() / l.Up.Seconds()
	}
	for _, u := range l.Units {
		unit := api.LineUnit{Unit: u.Unit, Asked: u.Asked, Timeout: u.Timeout.Seconds(), Median: u.Latency.Quantile(0.5).Seconds(),
			P99: u.Latency.Quantile(0.99).Seconds(), Longest: u.Latency.Max.Seconds(), Learned: []string{},
			Turnaround: u.Turnaround.Seconds(), Assumed: u.Assumed, Planned: u.Planned,
			LineCounts: api.LineCounts{Messages: u.Messages, Corrupt: u.Corrupt, NoAnswers: u.NoAnswers, Foreign: u.Foreign, Retries: u.Retries, Late: u.Late, Fences: u.Fences, Echoes: u.Echoes, Ghosts: u.Ghosts, Exceptions: byCode(u.Exceptions)}}
		for _, d := range devices {
			if d.Line == l.Name && d.Unit == u.Unit {
				unit.Device = d.Name
				unit.Learned = append(unit.Learned, d.Learned...)
			}
		}
		out.Units = append(out.Units, unit)
	}
	return out
}

// byCode writes exception codes as the protocol does, in hex.
func byCode(exceptions map[byte]uint64) map[string]uint64 {
	out := map[string]uint64{}
	for code, n := range exceptions {
		text := strconv.FormatUint(uint64(code), 16)
		if len(text) < 2 {
			text = "0" + text
		}
		out[text] = n
	}
	return out
}
