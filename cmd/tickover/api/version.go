package api

import (
	"runtime/debug"
)

// Version is what the Go tool knows of this build: a release's tag, or the
// revision it was built from.
func Version() string {
	b, ok := debug.ReadBuildInfo()
	if !ok {
		return "unknown"
	}
	if v := b.Main.Version; v != "" && v != "(devel)" {
		return v
	}
	for _, s := range b.Settings {
		if s.Key == "vcs.revision" {
			return "revision " + s.Value[:min(12, len(s.Value))]
		}
	}
	return "development"
}
