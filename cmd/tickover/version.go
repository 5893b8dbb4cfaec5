package main

import (
	"encoding/json"
	"fmt"
	"runtime"
	"runtime/debug"
	"time"

	"tickover/model"
)

// versionCommand prints the version.
type versionCommand struct {
	JSON bool `help:"Print a JSON object."`
}

// Run prints it.
func (c *versionCommand) Run(s streams) error {
	if c.JSON {
		return json.NewEncoder(s.out).Encode(map[string]string{
			"version": version(), "go": runtime.Version(), "os": runtime.GOOS, "arch": runtime.GOARCH,
		})
	}
	_, err := fmt.Fprintf(s.out, "tickover %s (%s, %s/%s)\n", version(), runtime.Version(), runtime.GOOS, runtime.GOARCH)
	return err
}

// version is what the Go tool knows of this build: a release's tag, or the
// revision it was built from.
func version() string {
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

// seconds writes a duration given in seconds as people say it.
func seconds(s float64) string {
	return model.Lasting(time.Duration(s * float64(time.Second)).Round(time.Second))
}
