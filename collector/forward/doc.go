// Package forward sends what was kept to others: readings to servers by
// Prometheus' remote write protocol, version 1.0, and the newest readings and
// alarms to an MQTT broker.
//
// The store is the truth. A writer reads it behind a cursor of its own and
// moves the cursor only when the server has accepted what came before it, so
// that nothing is lost while the server is away; what was sent but not
// acknowledged is sent again, which servers take as the same sample.
//
// Every outlet has one goroutine, its Run; Health may be called from anywhere.
package forward
