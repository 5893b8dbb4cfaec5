package metrics

import (
	"log/slog"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// What a scrape costs, with every metric there is. The processor's time, that
// of the garbage collector included, is the same however busy the computer is
// with other things. At one scrape a second the share of a core is the time
// for one.
func BenchmarkScrape(b *testing.B) {
	bench := full()
	handler := bench.Handler(slog.New(slog.DiscardHandler))
	w := httptest.NewRecorder() // one for all, as its growth is no cost of ours
	count := 0.0
	begin := spent(b)
	for b.Loop() {
		w.Body.Reset()
		handler.ServeHTTP(w, httptest.NewRequest("GET", "/metrics", nil))
		if count == 0 {
			text := w.Body.String()
			count = float64(strings.Count("\n"+text, "\n") - strings.Count("\n"+text, "\n#"))
			begin = spent(b)
		}
	}
	cpu := (spent(b) - begin) / time.Duration(b.N)
	b.ReportMetric(count, "series")
	b.ReportMetric(b.Elapsed().Seconds()*1e3/float64(b.N)*200/count, "ms/200series")
	b.ReportMetric(cpu.Seconds()*1e3*200/count, "cpu-ms/200series")
	b.ReportMetric(cpu.Seconds()*100, "%core@1Hz")
}

// spent is the processor time that this process took so far.
func spent(b *testing.B) time.Duration {
	var u unix.Rusage
	if err := unix.Getrusage(unix.RUSAGE_SELF, &u); err != nil {
		b.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}
