package report

import (
	"crypto/sha256"
	_ "embed"
	"encoding/base64"
	"fmt"
	"html/template"
	"io"
	"strconv"
	"strings"

	"tickover/cmd/tickover/chart"
	"tickover/model"
)

//go:embed report.html
var pageSource string

//go:embed report.css
var styleSource string

var page = template.Must(template.New("report").Funcs(funcs(dating{}, nil)).Parse(pageSource))

// funcs are the words of the template.
func funcs(d dating, rec *model.RunRecord) template.FuncMap {
	return template.FuncMap{
		"sampling": chart.Sampling, "when": d.when, "into": d.into, "stamp": d.stamp, "states": d.states, "ending": func() string { return d.ending(rec.Run) },
		"value": value, "sign": sign, "class": verdictClass, "interval": interval, "basis": basis,
		"clockwise": clockwise, "symbol": symbol, "seen": seen, "power": model.ActivePower.ShowWithUnit,
		"next":    func(i int) int { return i + 1 },
		"megohms": func(ohms float64) string { return strconv.FormatFloat(ohms/1e6, 'g', 3, 64) },
		"length":  d.length, "tell": tell, "outcome": outcomeSign, "plural": func(s []int) string { return places(s) }, "name": func() string { return nameOf(rec.Rating) },
	}
}

// HTML writes the record as one file that refers to nothing outside itself and
// prints on A4. series feeds the plots; an error of it ends the report.
func HTML(w io.Writer, rec *model.RunRecord, clock model.Clock, series Series) error {
	d := datingOf(rec, clock)
	plots, err := drawings(rec, d, series)
	if err != nil {
		return err
	}
	close, left, err := transients(rec, d, series)
	if err != nil {
		return err
	}
	curve, err := dryCurve(rec.DryOut)
	if err != nil {
		return err
	}
	hash := sha256.Sum256([]byte(styleSource))
	view := map[string]any{
		"Rec": rec, "Plots": plots, "Style": template.CSS(styleSource),
		"StyleHash": base64.StdEncoding.EncodeToString(hash[:]),
		"Tally":     tally(rec), "Sources": sources(rec), "Boots": d.boots(rec), "Cautions": model.Cautions(), "Advisory": model.Advisory,
		"Unbalance": d.unbalance(rec), "Soak": d.soak(rec), "Steady": d.steadyTable(rec), "Blind": blind(), "Rating": plate(rec.Rating),
		"Steps": stepTable(rec, d), "Detailed": detailed(rec), "Transients": close, "Left": left, "HandRows": d.handRows(rec), "DryCurve": curve, "Gauges": corrections(rec.Gauges), "Devices": protections(), "Influence": influenceTable(rec.Influence),
	}
	t, err := page.Clone()
	if err == nil {
		err = t.Funcs(funcs(d, rec)).Execute(w, view)
	}
	if err != nil {
		return fmt.Errorf("write the report as HTML: %w", err)
	}
	return nil
}

// plate writes the nameplate, leaving out what is not given.
func plate(r model.Rating) []string {
	var parts []string
	for _, p := range []struct {
		v    float64
		text string
	}{
		{r.ApparentPower, model.ApparentPower.ShowWithUnit(r.ApparentPower)},
		{r.PowerFactor, "power factor " + model.PowerFactor.Show(r.PowerFactor)},
		{r.Voltage, plain(r.Voltage) + " V"}, {r.Frequency, plain(r.Frequency) + " Hz"},
		{float64(r.Poles), fmt.Sprintf("%d poles", r.Poles)}, {r.Battery, plain(r.Battery) + " V battery"},
	} {
		if p.v != 0 {
			parts = append(parts, p.text)
		}
	}
	return parts
}

// blind says what no set of meters and adapters on a bus can show.
func blind() []string {
	return []string{
		"Meters give averages over their own window. Whatever is shorter than that window and the sampling interval is not seen, so a dip is at least as deep as written and a recovery lies within an interval.",
		"Magnitudes of voltage and current do not tell the phase rotation; that takes a rotation indicator at the outlet.",
		"Wave shape, harmonics and spikes that harm electronics are not judged here.",
		"Insulation, earthing, and the mechanical condition of engine and alternator are not seen from the bus; only measurements by hand speak of them.",
		"Protective devices are proven at the device by actuating it. Nothing in these readings proves one.",
	}
}

// protections lists what is to be proven at the device.
func protections() []string {
	return []string{"Oil pressure switch", "Over-temperature switch", "Overspeed trip", "Emergency stop", "Fuel cut-off by hand", "Residual-current device",
		"Circuit breaker", ""}
}

// plain writes a nameplate value as it was given.
func plain(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }

// symbol sets what follows the underscore of a symbol below the line.
func symbol(s string) template.HTML {
	base, index, ok := strings.Cut(s, "_")
	text := "<i>" + template.HTMLEscapeString(base) + "</i>"
	if ok {
		text += "<sub>" + template.HTMLEscapeString(index) + "</sub>"
	}
	return template.HTML(text)
}

// length writes how long a state lasted.
func (d dating) length(from, to model.Instant) string {
	a, known := d.Since(from)
	b, ok := d.Since(to)
	if !known || !ok {
		return "–"
	}
	return clockwise(b - a)
}

// tell puts an event into words.
func tell(e model.Event) string {
	switch {
	case e.Engine != nil:
		return fmt.Sprintf("%s, was %s. %s", e.Engine.To, e.Engine.From, e.Engine.Evidence)
	case e.Alarm != nil:
		return fmt.Sprintf("%s: %s (%s). %s", e.Alarm.Label, e.Alarm.To, seen(*e.Alarm), e.Alarm.Why)
	case e.Hand != nil && e.Text == "":
		return fmt.Sprintf("%s %s: %s", e.Hand.Kind, e.Hand.Points, e.Hand.Quantity.ShowWithUnit(e.Hand.Value))
	}
	return e.Text
}
