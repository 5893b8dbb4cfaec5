package main

import (
	"cmp"
	"fmt"
	"io"
	"strings"
	"text/tabwriter"

	"tickover/model"
)

// printDangers writes the table of dangers against instruments, those that
// nothing sees first, each part gravest first.
func printDangers(out io.Writer, all []model.Danger) error {
	blind := 0
	for _, d := range all {
		if d.Unseen() {
			blind++
		}
	}
	fmt.Fprintf(out, "\ndangers that no instrument of this set detects: %d of %d\n", blind, len(all))
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	for _, d := range all {
		if d.Unseen() {
			fmt.Fprintf(w, "  NOT DETECTED\t%s\t%s\tfit %s\n", d.Name, d.Consequence, d.Fit)
		}
	}
	for _, d := range all {
		if !d.Unseen() {
			fmt.Fprintf(w, "  %s\t%s\t%s\t%s\n", map[bool]string{true: "detected in part", false: "detected"}[d.Blind != ""], d.Name,
				sightWords(d), cmp.Or(d.Blind, "-"))
		}
	}
	return w.Flush()
}

// sightWords names the instruments that see a danger.
func sightWords(d model.Danger) string {
	var names []string
	for _, s := range d.Seen {
		names = append(names, s.Instrument)
	}
	return "by " + strings.Join(names, ", ")
}
