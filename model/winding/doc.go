// Package winding judges what is measured by hand: insulation and its
// correction to 40 °C, winding resistance and the temperature it shows, the
// drying of damp windings, earthing, residual-current devices, the resting
// battery. It sets before and after side by side.
//
// The functions are pure and may be called by several goroutines at once.
package winding
