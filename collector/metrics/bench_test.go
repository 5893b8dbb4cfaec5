package metrics

import (
	"io"
	"net/http/httptest"
	"strings"
	"testing"
)

// What a scrape costs, with every metric there is. At one scrape a second the
// share of a core is the time for one.
func BenchmarkScrape(b *testing.B) {
	bench := full()
	handler := bench.Handler()
	series := 0
	for b.Loop() {
		w := httptest.NewRecorder()
		handler.ServeHTTP(w, httptest.NewRequest("GET", "/metrics", nil))
		if series == 0 {
			text, _ := io.ReadAll(w.Body)
			series = strings.Count("\n"+string(text), "\n") - strings.Count("\n"+string(text), "\n#")
		}
	}
	b.ReportMetric(float64(series), "series")
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/1e4/float64(b.N)/1e3, "%core@1Hz")
}
