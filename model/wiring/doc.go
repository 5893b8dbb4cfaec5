// Package wiring checks instruments and their wiring by what they show: what
// is swapped, reversed, scaled wrong, stuck or dead. It also works out the
// one-heater walk, which settles what readings under load cannot: currents
// shifted by one phase and reversed look like a good load of power factor 0.8.
//
// An Evidence and a Walker belong to one goroutine. Functions are pure.
package wiring
