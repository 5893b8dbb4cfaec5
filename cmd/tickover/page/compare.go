package page

import (
	"context"
	"net/http"

	"tickover/model"
)

// Comparer is a Source that can hold one run against another.
type Comparer interface {
	// Compare ranks how the run "after" differed from the run "before".
	Compare(ctx context.Context, before, after string) (model.Comparison, error)
}

type wireComparison struct {
	Before      string           `json:"before"`
	After       string           `json:"after"`
	Differences []wireDifference `json:"differences"`
	Alike       int              `json:"alike"`
	Open        []string         `json:"not_compared"`
}

type wireDifference struct {
	What   string   `json:"what"`
	Words  string   `json:"words"`
	From   *float64 `json:"from"`
	To     *float64 `json:"to"`
	Unit   string   `json:"unit"`
	Weight float64  `json:"weight"`
}

func (f *face) apiCompare(w http.ResponseWriter, r *http.Request) {
	source, ok := f.src.(Comparer)
	if !ok {
		refuse(w, http.StatusNotFound, "runs cannot be compared here", "")
		return
	}
	found, err := source.Compare(r.Context(), r.PathValue("id"), r.PathValue("other"))
	if err != nil {
		f.fail(w, r, err)
		return
	}
	out := wireComparison{found.Before, found.After, []wireDifference{}, found.Alike, append([]string{}, found.Open...)}
	for _, d := range found.Differences {
		out.Differences = append(out.Differences, wireDifference{d.What, d.Words, number(d.From), number(d.To), d.Unit, d.Weight})
	}
	send(w, out)
}
