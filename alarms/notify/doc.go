// Package notify hands alarms to people: by webhook, mail, Alertmanager and
// MQTT, by a command that sounds a horn, and by a heartbeat whose silence
// others notice. It keeps the timer of somebody who works alone.
//
// The desk takes what the carrier offers and never makes it wait. Every target
// has a queue on disk and a goroutine of its own, so that one that is away
// holds up neither the alarms nor the other targets; what waited is sent as
// one digest with the original times. A mark on disk says how far the queues
// go; what the journal holds beyond it is told after the next start. Offer,
// Health and Test may be called from anywhere; every Run belongs to one
// goroutine.
package notify
