// Package alarms turns scans into alarm transitions. Alarms are advisory; they stop
// nothing.
//
// The core is pure. It has no clock, goroutine, file or logger; time enters only as the
// instant of a scan or of a person's act. The same input always has the same output.
//
// States and transitions are those of IEC 62682 / ISA-18.2, with three choices that the
// standard leaves open:
//   - A rule that is no longer armed (the engine stopped) counts as returned to normal. A
//     raised alarm therefore stays visible until acknowledged, and only a normal one goes
//     to "suppressed by design".
//   - An acknowledged alarm is raised again after the Remind time of its rule, if it has
//     one, and only on a fresh good sample.
//   - The reset of a latched alarm is a second acknowledgement.
//
// A transition is shown and sent before it is on the card: a slow or full card must not
// delay an alarm. If the program ends in between, the journal lacks the alarm; after the
// restart the next scans raise it again and it is sent once more. A person's act is shown
// only when it is on the card.
//
// A Machine must be used by one goroutine at a time.
package alarms
