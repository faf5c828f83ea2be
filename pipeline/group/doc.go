// Package group is the pure function of the pipeline: state and frame in, state
// and reduced batch out, for the sources that need each other.
//
// It has no clock, starts no goroutine and iterates over no map, so the same
// frames and events in the same order give the same bits on every run. What it
// remembers between frames (State) is raw readings and times, found by input
// and gauge and not by channel.
package group
