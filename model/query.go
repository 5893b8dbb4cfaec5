package model

// Query asks the store for scans. The zero value asks for everything.
type Query struct {
	From, To Instant   // To is excluded; zero means without end
	Points   []PointID // only these; empty means all
	Newest   int       // only the last so many scans of each group; 0 means all
	// Spans, when there are any, leave only instants within one of them. From
	// and To enclose them all.
	Spans []Span
}

// Wants reports whether the query asks for a point.
func (q Query) Wants(p PointID) bool {
	if len(q.Points) == 0 {
		return true
	}
	for _, want := range q.Points {
		if want == p {
			return true
		}
	}
	return false
}

// Within reports whether an instant lies in the query's span.
func (q Query) Within(i Instant) bool {
	if !q.From.IsZero() && i.Before(q.From) || !q.To.IsZero() && !i.Before(q.To) {
		return false
	}
	for _, s := range q.Spans {
		if s.holds(i) {
			return true
		}
	}
	return len(q.Spans) == 0
}

// During limits the query to the spans given; with none it asks for nothing.
func (q Query) During(spans []Span) Query {
	if len(spans) == 0 {
		spans = []Span{{}}
	}
	q.Spans = spans
	q.From, q.To = spans[0].From, spans[0].To
	for _, s := range spans[1:] {
		if s.From.Before(q.From) {
			q.From = s.From
		}
		if q.To.Before(s.To) {
			q.To = s.To
		}
	}
	return q
}

// Span is a stretch of time on the boots' clocks. To is excluded.
type Span struct{ From, To Instant }

func (s Span) holds(i Instant) bool { return !i.Before(s.From) && i.Before(s.To) }
