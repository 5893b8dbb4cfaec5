package alarms

import (
	"cmp"
	"maps"
	"slices"
	"time"

	"tickover/model"
)

// The indicators' bounds. More than ten alarms in ten minutes are a flood by
// ISA-18.2 and EEMUA 191; three changes in a minute as chattering and 24 h as
// stale are ISA-18.2's, from memory.
const (
	rateSpan    = 10 * time.Minute
	floodAbove  = 10
	floodEnds   = 5 // a flood is over at fewer in rateSpan
	topAlarms   = 10
	chatterSpan = time.Minute
	chatterFrom = 3
	staleAfter  = 24 * time.Hour
)

// Stats works out the indicators from all alarm events, in order, of boots
// that were logged until now. Average and floods go by fixed spans of ten
// minutes, as the standards count; the peak by any ten minutes, so that no
// flood hides across a mark; all three count what was announced. What a person did to an alarm is
// no change of its
// own; a reminder is no new alarm, one that comes back before it was
// acknowledged is.
func Stats(events []model.AlarmEvent, boots []model.Boot, now model.Instant) model.AlarmStats {
	log := newLoggedTime(boots, now)
	s := model.AlarmStats{Logged: log.until(now)}
	spans, recent := make([]int, s.Logged/rateSpan), []time.Duration(nil)
	histories := map[string]*history{}
	for _, e := range events {
		h := histories[e.Rule]
		if h == nil {
			h = &history{}
			histories[e.Rule] = h
		}
		at := log.until(e.At)
		if !h.take(e, at) {
			continue
		}
		s.Raised++
		s.ByPriority[min(int(e.Priority), len(s.ByPriority)-1)]++
		if !e.Announced() {
			continue
		}
		if i := int(at / rateSpan); i < len(spans) {
			spans[i]++
		}
		recent = within(append(recent, at), at, rateSpan)
		s.Peak = max(s.Peak, len(recent))
	}
	rate(&s, spans)
	listed(&s, histories)
	return s
}

// rate fills in what is counted by spans.
func rate(s *model.AlarmStats, spans []int) {
	s.Spans = len(spans)
	sum := 0
	for _, n := range spans {
		sum += n
		if n > floodAbove {
			s.Floods++
		}
	}
	if s.Spans > 0 {
		s.Average = float64(sum) / float64(s.Spans)
	}
}

// listed fills in the alarms that stand out.
func listed(s *model.AlarmStats, histories map[string]*history) {
	for _, rule := range slices.Sorted(maps.Keys(histories)) {
		h := histories[rule]
		if h.raised > 0 {
			s.Top = append(s.Top, model.AlarmCount{Rule: rule, Label: h.label, Times: h.raised})
		}
		if h.most >= chatterFrom {
			s.Chattering = append(s.Chattering,
				model.AlarmCount{Rule: rule, Label: h.label, Times: h.most})
		}
		if stood := h.stale(s.Logged); stood > 0 {
			s.Stale = append(s.Stale, model.AlarmStanding{Rule: rule, Label: h.label, For: stood})
		}
	}
	often := func(a, b model.AlarmCount) int { return cmp.Compare(b.Times, a.Times) }
	slices.SortStableFunc(s.Top, often)
	slices.SortStableFunc(s.Chattering, often)
	s.Top = s.Top[:min(len(s.Top), topAlarms)]
	slices.SortStableFunc(s.Stale, func(a,
		b model.AlarmStanding) int {
		return cmp.Compare(b.For, a.For)
	})
}
