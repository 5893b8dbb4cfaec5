package page

import (
	"net/http"
	"strconv"

	"tickover/model"
)

// Line is what happened on one line, as the API tells it. Counters count
// since the daemon started.
type Line struct {
	Line     string   `json:"line"`
	Kind     string   `json:"kind"`
	Open     bool     `json:"open"`
	Trouble  string   `json:"trouble,omitempty"`
	Burst    bool     `json:"burst"`
	Share    float64  `json:"busy_share"`
	Planned  float64  `json:"planned_share"`
	Bursts   float64  `json:"burst_interval_seconds"` // by plan; 0 when there is no burst
	Up       float64  `json:"up_seconds"`
	Lacks    []string `json:"lacks"`
	Reopened uint64   `json:"reopened"`
	Overruns uint64   `json:"overruns"`
	LineCounts
	Units []LineUnit `json:"units"`
}

// LineCounts are the counters that lines and units share.
type LineCounts struct {
	Messages   uint64            `json:"messages"`
	Corrupt    uint64            `json:"corrupt"`
	NoAnswers  uint64            `json:"no_answers"`
	Foreign    uint64            `json:"foreign"`
	Retries    uint64            `json:"retries"`
	Late       uint64            `json:"late"`
	Fences     uint64            `json:"fences"`
	Echoes     uint64            `json:"echoes"`
	Ghosts     uint64            `json:"ghosts"`
	Exceptions map[string]uint64 `json:"exceptions"`
}

// LineUnit is the same of one unit.
type LineUnit struct {
	Unit    uint8   `json:"unit"`
	Device  string  `json:"device,omitempty"`
	Asked   uint64  `json:"asked"`
	Timeout float64 `json:"timeout_seconds"`
	Median  float64 `json:"latency_median_seconds"`
	P99     float64 `json:"latency_p99_seconds"`
	Longest float64 `json:"latency_longest_seconds"`
	// Turnaround is the mean that planning goes by, or what it assumes.
	Turnaround float64  `json:"turnaround_seconds"`
	Assumed    bool     `json:"turnaround_assumed"`
	Planned    float64  `json:"planned_share"`
	Learned    []string `json:"learned"`
	LineCounts
}

func (srv *server) apiLines(w http.ResponseWriter, _ *http.Request) {
	snap := srv.latest(w)
	if snap == nil {
		return
	}
	out := []Line{}
	for _, l := range snap.Lines {
		out = append(out, lineOf(l, snap.Devices))
	}
	send(w, out)
}

func lineOf(l model.LineHealth, devices []model.DeviceHealth) Line {
	out := Line{Line: l.Name, Kind: l.Kind.String(), Open: l.Open, Trouble: l.Trouble, Burst: l.Burst, Planned: l.Planned, Bursts: l.BurstEvery.Seconds(), Up: l.Up.Seconds(),
		Reopened: l.Reopened, Overruns: l.Overruns, Lacks: append([]string{}, l.Lacks...), Units: []LineUnit{}, LineCounts: LineCounts{l.Messages, l.Corrupt, l.NoAnswers,
			l.Foreign, l.Retries, l.Late, l.Fences, l.Echoes, l.Ghosts, byCode(l.Exceptions)}}
	if l.Up > 0 {
		out.Share = l.Busy.Seconds() / l.Up.Seconds()
	}
	for _, u := range l.Units {
		unit := LineUnit{Unit: u.Unit, Asked: u.Asked, Timeout: u.Timeout.Seconds(), Median: u.Latency.Quantile(0.5).Seconds(),
			P99: u.Latency.Quantile(0.99).Seconds(), Longest: u.Latency.Max.Seconds(), Learned: []string{},
			Turnaround: u.Turnaround.Seconds(), Assumed: u.Assumed, Planned: u.Planned,
			LineCounts: LineCounts{u.Messages, u.Corrupt, u.NoAnswers, u.Foreign, u.Retries, u.Late, u.Fences, u.Echoes, u.Ghosts, byCode(u.Exceptions)}}
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
