package api

import (
	"time"
)

// Note is what a person says: a note in own words, or a remark by one tap.
type Note struct {
	Who, Text string
	Remark    bool
	Ago       time.Duration // how long before now it was said; 0 means now
	Photo     []byte        // a picture that belongs to it; nil means none
}
