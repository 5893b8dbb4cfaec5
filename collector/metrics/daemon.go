package metrics

import (
	"strconv"

	"github.com/prometheus/client_golang/prometheus"

	"tickover/model"
)

// daemon is the metrics of the program itself.
type daemon struct {
	build, simulated, sampleAge, snapshotAge, clock, clockSource                series
	open, busy, messages, lineFailures, exceptions, retries, reopened, overruns series
	fences, burst, up, reads, failures, silent                                  series
	ofUnits                                                                     unitSeries
	degraded, size, free, pending, kept, lost, events, lostEvents               series
}

func newDaemon() daemon {
	return daemon{
		build:        gauge("tickover_build_info", "The program, always 1.", "version", "goversion"),
		simulated:    gauge("tickover_simulated", "1 when nothing shown is real."),
		sampleAge:    gauge("tickover_sample_age_seconds", "Time since the point's last good sample.", "point"),
		snapshotAge:  gauge("tickover_snapshot_age_seconds", "Time since the last scan was carried through."),
		clock:        gauge("tickover_clock_synchronised", "1 when the wall clock of this boot is vouched for by a time server."),
		clockSource:  gauge("tickover_clock_info", "How the wall clock of this boot is known, always 1.", "source"),
		open:         gauge("tickover_line_open", "1 while the line can be used.", "line"),
		busy:         counter("tickover_line_busy_seconds_total", "Time the wire was in use.", "line"),
		messages:     counter("tickover_line_messages_total", "Answers that passed every check.", "line"),
		lineFailures: counter("tickover_line_failures_total", "Exchanges without a usable answer, whether the question was put again or not, and stray answers, by cause.", "line", "cause"),
		exceptions:   counter("tickover_line_exceptions_total", "Exception answers, by code.", "line", "code"),
		retries:      counter("tickover_line_retries_total", "Questions asked again.", "line"),
		reopened:     counter("tickover_line_reopened_total", "Times the line was opened again.", "line"),
		overruns:     counter("tickover_line_overruns_total", "Poll rounds skipped because the line was late.", "line"),
		fences:       counter("tickover_line_fences_total", "Short reads put in so that a late answer is not mistaken.", "line"),
		burst:        gauge("tickover_line_burst", "1 while the fast points are polled as fast as the line allows.", "line"),
		ofUnits:      newUnits(),
		up:           gauge("tickover_device_up", "1 while the device answers.", "device", "line"),
		reads:        counter("tickover_device_reads_total", "Reads asked of the device.", "device", "line"),
		failures:     counter("tickover_device_failures_total", "Reads that failed, by cause.", "device", "line", "cause"),
		silent:       gauge("tickover_device_silent_reads", "Reads in a row without an answer.", "device", "line"),
		degraded:     gauge("tickover_store_degraded", "1 while the store does not keep everything."),
		size:         gauge("tickover_store_size_bytes", "Size of the store's file."),
		free:         gauge("tickover_store_disk_free_bytes", "Space left beside the store's file."),
		pending:      gauge("tickover_store_pending_scans", "Scans not yet synced to the card."),
		kept:         counter("tickover_store_scans_total", "Scans kept."),
		lost:         counter("tickover_store_lost_scans_total", "Scans that could not be kept."),
		events:       counter("tickover_store_events_total", "Events kept."),
		lostEvents:   counter("tickover_store_lost_events_total", "Events given up while the card took none and memory was full."),
	}
}

func (d *daemon) describe(out chan<- *prometheus.Desc) {
	for _, s := range []series{d.build, d.simulated, d.sampleAge, d.snapshotAge, d.clock, d.clockSource, d.open, d.busy,
		d.messages, d.lineFailures, d.exceptions, d.retries, d.reopened, d.overruns, d.fences, d.burst, d.up, d.reads, d.failures, d.silent,
		d.degraded, d.size, d.free, d.pending, d.kept, d.lost, d.events, d.lostEvents} {
		out <- s.desc
	}
	d.ofUnits.describe(out)
}

func (d *daemon) collect(send sender, snap *model.Snapshot, now model.Instant) {
	send.truth(d.simulated, snap.Simulated)
	if age, known := now.Sub(snap.At); known && !snap.At.IsZero() {
		send.value(d.snapshotAge, max(age, 0).Seconds())
	}
	source := model.ClockUnknown
	if b, ok := snap.Clock.Boot(now.Boot); ok {
		e, _ := b.Best()
		source = e.Source
	}
	send.truth(d.clock, source == model.ClockSynchronised)
	send.value(d.clockSource, 1, source.String())
	for _, l := range snap.Lines {
		d.line(send, l)
	}
	for _, dev := range snap.Devices {
		d.device(send, dev)
	}
	d.store(send, snap.Store)
}

func (d *daemon) line(send sender, l model.LineHealth) {
	send.truth(d.open, l.Open, l.Name)
	send.value(d.busy, l.Busy.Seconds(), l.Name)
	send.count(d.messages, l.Messages, l.Name)
	send.count(d.retries, l.Retries, l.Name)
	send.count(d.reopened, l.Reopened, l.Name)
	send.count(d.overruns, l.Overruns, l.Name)
	send.count(d.fences, l.Fences, l.Name)
	send.truth(d.burst, l.Burst, l.Name)
	d.ofUnits.collect(send, l)
	for _, f := range []struct {
		cause string
		n     uint64
	}{{model.CorruptAnswer.String(), l.Corrupt}, {model.NoAnswer.String(), l.NoAnswers}, {model.ForeignAnswer.String(), l.Foreign},
		{lateAnswer, l.Late}, {echoHeard, l.Echoes}, {ghostBytes, l.Ghosts}} {
		send.count(d.lineFailures, f.n, l.Name, f.cause)
	}
	for code, n := range l.Exceptions {
		send.count(d.exceptions, n, l.Name, strconv.Itoa(int(code)))
	}
}

func (d *daemon) device(send sender, v model.DeviceHealth) {
	send.truth(d.up, v.Up, v.Name, v.Line)
	send.count(d.reads, v.Reads, v.Name, v.Line)
	send.value(d.silent, float64(v.Silent), v.Name, v.Line)
	for cause, n := range v.Failures {
		send.count(d.failures, n, v.Name, v.Line, cause.String())
	}
}

func (d *daemon) store(send sender, s model.StoreHealth) {
	send.truth(d.degraded, s.Degraded != "")
	send.value(d.size, float64(s.Bytes))
	if s.FreeDisk >= 0 {
		send.value(d.free, float64(s.FreeDisk))
	}
	send.value(d.pending, float64(s.Pending))
	send.count(d.kept, s.Appended)
	send.count(d.lost, s.Lost)
	send.count(d.lostEvents, s.LostEvents)
	send.count(d.events, s.Events)
}
