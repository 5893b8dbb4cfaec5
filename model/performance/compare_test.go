package performance

import (
	"strings"
	"testing"

	"tickover/model"
)

// A run of the same day with 0.4 bar less oil pressure at every load, 0.8 V
// less while cranking, and a wider droop: the three are told, the figure whose
// verdict changed first, and little else.
func TestCompare(t *testing.T) {
	before := record(t, day(nil))
	later := day(func(s *model.Scan) {
		power, _ := s.Find(model.PowerActive)
		for i, q := range s.Samples {
			switch {
			case q.Point == model.OilPressure && q.Value > 1e5:
				s.Samples[i].Value -= 0.4e5
			case q.Point == model.BatteryVoltage && q.Value < 11.3:
				s.Samples[i].Value -= 0.8
			case q.Point == model.FrequencyPoint && power.Quality == model.Good:
				s.Samples[i].Value -= 3.2 * power.Value / 40e3
			}
		}
	})
	later.Run.ID = "2"
	c := Compare(before, record(t, later))
	if c.Before != "1" || c.After != "2" || len(c.Differences) < 4 || len(c.Differences) > 14 || c.Alike < 15 {
		t.Errorf("%+v", c)
	}
	if first := c.Differences[0]; first.What != "frequency droop" || !strings.Contains(first.Words, "higher: 10.4 %, was 4 %; outside, was within (limit ≤ 8 %)") {
		t.Errorf("first comes %q", first.Words)
	}
	var words []string
	for _, d := range c.Differences {
		words = append(words, d.Words)
	}
	all := strings.Join(words, "\n")
	for _, want := range []string{"oil pressure at ", "0.4 bar lower", "start: battery mean while cranking 0.8 V lower", "frequency at 40 kW 3.2 Hz lower: 46.7 Hz, was 49.9 Hz"} {
		if !strings.Contains(all, want) {
			t.Errorf("%q is not told in\n%s", want, all)
		}
	}
	for _, c := range []struct {
		d    model.Difference
		want string
	}{
		{model.Difference{What: "voltage dip at load on", From: -3.4, To: -5, Unit: "%"}, "voltage dip at load on 1.6 percentage points deeper: -5 %, was -3.4 %"},
		{model.Difference{What: "voltage dip at load on", From: -3.4, To: -1, Unit: "%"}, "voltage dip at load on 2.4 percentage points less deep: -1 %, was -3.4 %"},
		{model.Difference{What: "lowest power factor", From: 0.9, To: 0.8}, "lowest power factor 0.1 lower: 0.8, was 0.9"},
	} {
		if got := differs(c.d); got != c.want {
			t.Errorf("told as %q, not %q", got, c.want)
		}
	}
	if same := Compare(before, before); len(same.Differences) > 0 || same.Alike < 20 {
		t.Errorf("against itself: %+v", same)
	}
	if none := Compare(before, &model.RunRecord{Run: model.Run{ID: "3"}}); len(none.Differences) > 0 || len(none.Open) < 2 {
		t.Errorf("against nothing: %+v", none)
	}
}
