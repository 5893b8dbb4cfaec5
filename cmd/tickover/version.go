package main

import (
	"encoding/json"
	"fmt"
	"runtime"

	"tickover/cmd/tickover/api"
)

// versionCommand prints the version.
type versionCommand struct {
	JSON bool `help:"Print a JSON object."`
}

// Run prints it.
func (c *versionCommand) Run(s streams) error {
	if c.JSON {
		return json.NewEncoder(s.out).Encode(map[string]string{
			"version": api.Version(), "go": runtime.Version(), "os": runtime.GOOS, "arch": runtime.GOARCH,
		})
	}
	_, err := fmt.Fprintf(s.out, "tickover %s (%s, %s/%s)\n", api.Version(), runtime.Version(), runtime.GOOS, runtime.GOARCH)
	return err
}
