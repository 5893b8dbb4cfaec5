package record

import (
	"time"

	"tickover/model"
)

// Seconds writes a duration given in seconds as people say it.
func Seconds(s float64) string {
	return model.Lasting(time.Duration(s * float64(time.Second)).Round(time.Second))
}
