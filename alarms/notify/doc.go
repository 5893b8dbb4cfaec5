// Package notify hands alarms to people: by webhook, mail, Alertmanager and
// MQTT, by a command that sounds a horn, and by a heartbeat whose absence its
// receiver notices. It keeps the check-in timer of a person who works alone.
//
// The dispatcher takes what the carrier offers and never makes it wait. Every target
// has its own queue on disk and its own goroutine: one that is away delays neither the
// alarms nor the other targets. Waiting messages are sent as one digest with the
// original times. A mark on disk shows how far the queues go; what the journal holds
// after it is sent after the next start. Offer, Health and Test may be called from
// anywhere; every Run belongs to one goroutine.
package notify
