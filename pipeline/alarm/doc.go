// Package alarm decides what a person is to be told of, and whom.
//
// An Engine is a state machine over one group's journal: reduced batches and
// events go in, in journal order, decisions come out. It has no clock, does no
// I/O and starts nothing: the same journal gives the same decisions, however it
// is split into frames and wherever it is taken up again from a stored state.
// Time is that of the data and of the events, and never runs back.
//
// An alarm stays until a person acknowledges it by name, also when its cause is
// over; then it is armed again. It monitors; it is not a protective system.
package alarm
