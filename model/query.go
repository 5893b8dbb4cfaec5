package model

// Query asks the store for scans. The zero value asks for everything.
type Query struct {
	From, To Instant   // To is excluded; zero means without end
	Points   []PointID // only these; empty means all
	Newest   int       // only the last so many scans of each group; 0 means all
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
	return (q.From.IsZero() || !i.Before(q.From)) && (q.To.IsZero() || i.Before(q.To))
}

// Span is a stretch of time on the boots' clocks. To is excluded.
type Span struct{ From, To Instant }
