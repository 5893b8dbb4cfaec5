// Package alarms is the second pair of eyes: it turns scans into alarm
// transitions. It advises people and stops nothing.
//
// The core is pure. It owns no clock, goroutine, file or logger; time enters
// only as the instant of a scan or of a person's act, so the same input always
// gives the same output.
//
// The states and transitions are those of IEC 62682 / ISA-18.2 with three
// choices of our own, all inside the standard's table:
//   - Losing its arming (the engine stopped) counts as a return to normal. A
//     raised alarm therefore stays visible until acknowledged, and only a
//     normal one goes to "suppressed by design".
//   - The optional re-alarm of an acknowledged alarm comes from a rule's Remind
//     time, and only on a fresh good sample.
//   - A reset of a latched alarm is a second acknowledgement.
//
// A transition is shown and handed to those who tell people before it is kept:
// a slow or full card must silence nothing. Who ends the program in between has
// seen an alarm that the journal does not hold. After the restart the condition
// raises it once, with the next scans that show it, and it is told once more: a
// warning told twice beats one never told. A person's act is shown only when it
// is kept.
//
// A Machine must be used by one goroutine at a time.
package alarms
