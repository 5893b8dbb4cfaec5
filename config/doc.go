// Package config reads the one configuration file of the daemon, and the
// device profiles it names, into checked definitions. It finds every mistake
// at once and says of each where it is and what to write instead.
//
// Nothing here keeps state or starts a goroutine: all functions may be called
// by several goroutines at once, and what they return belongs to the caller.
package config
