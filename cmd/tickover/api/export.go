package api

// Form is how samples are written.
type Form struct {
	Format  string // "csv" or "openmetrics"
	Minutes bool   // one-minute figures instead of samples; CSV only
	Lags    bool   // also how long after its row's time each answer came; CSV of samples only
}
