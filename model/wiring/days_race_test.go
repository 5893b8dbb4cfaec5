//go:build race

package wiring

// healthyDays is fewer under the race detector, which makes each day ten times
// as long and finds nothing new in arithmetic; the plain tests play them all.
const healthyDays = 50
