package page

import (
	"net/http"
	"slices"
	"strings"

	"tickover/cmd/tickover/api"
	"tickover/model"
)

func (srv *server) apiDangers(w http.ResponseWriter, _ *http.Request) {
	out := []api.Danger{}
	for _, d := range srv.Alarms.Dangers() {
		row := api.Danger{Danger: d.ID, Name: d.Name, Consequence: d.Consequence, Instruments: []api.Instrument{}, Blind: d.Blind, Fit: d.Fit}
		for _, s := range d.Seen {
			row.Instruments = append(row.Instruments, api.Instrument{Instrument: s.Instrument, Points: s.Points, Rules: s.Rules, Limits: s.Limits})
		}
		out = append(out, row)
	}
	send(w, out)
}

// dangerRow is one danger as the page shows it.
type dangerRow struct {
	Name, By, Lacks, Fit string
	Unseen               bool // no instrument sees it
	Blind                bool // none of its instruments can be read now
}

// dangerRows lists the dangers, gravest first, with what can be seen of them now.
func dangerRows(all []model.Danger, now []model.AlarmStatus) []dangerRow {
	lost := map[string]bool{}
	for _, a := range now {
		lost[a.Rule.ID] = a.State == model.AlarmNormal && !a.Watching && a.Why != ""
	}
	var rows []dangerRow
	for _, d := range all {
		row := dangerRow{Name: d.Name, Lacks: d.Blind, Fit: d.Fit, Unseen: d.Unseen(), Blind: !d.Unseen()}
		var by []string
		for _, s := range d.Seen {
			name := s.Instrument
			if slices.ContainsFunc(s.Rules, func(id string) bool { return lost[id] }) {
				name += " (not read now)"
			} else {
				row.Blind = false
			}
			by = append(by, name)
		}
		row.By = strings.Join(by, ", ")
		rows = append(rows, row)
	}
	return rows
}

// unseen counts the dangers that no instrument sees.
func unseen(rows []dangerRow) (n int) {
	for _, r := range rows {
		if r.Unseen {
			n++
		}
	}
	return n
}
