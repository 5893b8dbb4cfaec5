package metrics

import (
	"fmt"
	"strconv"
	"strings"
	"testing"

	"tickover/model"
)

// Every reading that a scrape shows has the same name, labels and value by
// Naming.
func TestNamingSaysWhatAScrapeShows(t *testing.T) {
	b := full()
	name := Naming(b.points)
	scraped := b.scrape(t)
	seen := 0
	for id, r := range b.snap.Readings {
		s, ok := name(id)
		if !ok {
			continue
		}
		seen++
		line := s.Name
		for _, l := range s.Labels {
			line += fmt.Sprintf("{%s=%q}", l.Name, l.Value)
		}
		line += " " + strconv.FormatFloat(r.Value*s.Scale, 'g', -1, 64) + "\n"
		if !strings.Contains(scraped, "\n"+line) {
			t.Errorf("%s is not scraped as %s", id, line)
		}
	}
	if want := strings.Count(scraped, "\ngenset_point_"); seen < want+40 {
		t.Errorf("only %d series are named", seen)
	}
}

func TestStatesAreNamedAsScraped(t *testing.T) {
	scraped := full().scrape(t)
	active, awaits := NameAlarm("oil.pressure.low", model.Critical)
	for _, s := range []model.Series{NameEngineState(model.Loaded), active, awaits} {
		var labels []string
		for _, l := range s.Labels {
			labels = append(labels, fmt.Sprintf("%s=%q", l.Name, l.Value))
		}
		if line := s.Name + "{" + strings.Join(labels, ",") + "} 1\n"; !strings.Contains(scraped, "\n"+line) {
			t.Errorf("not scraped: %s", line)
		}
	}
}

// What the computer tells of itself goes by the names of a scrape wherever it
// is sent, whatever is configured.
func TestTheComputersFactsAreNamed(t *testing.T) {
	name := Naming(nil)
	for _, id := range model.HostPoints() {
		s, ok := name(id)
		if _, known := model.KnownQuantity(id); !ok || !known || !strings.HasPrefix(s.Name, "tickover_host_") {
			t.Errorf("%s goes by %+v, %v", id, s, ok)
		}
	}
}
