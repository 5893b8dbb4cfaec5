//go:build !race

package wiring

// healthyDays is how many random days nothing may be found on.
const healthyDays = 500
