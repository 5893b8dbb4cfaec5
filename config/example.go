package config

import (
	_ "embed"
	"slices"
)

//go:embed example.yaml
var example []byte

// Example returns a commented configuration to start one's own from. It has no
// mistakes.
func Example() []byte { return slices.Clone(example) }
