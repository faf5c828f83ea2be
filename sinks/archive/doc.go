// Package archive keeps the raw frames and events of a group in immutable files,
// cut by cut: what the journal held, in its order, after the journal is trimmed.
//
// A cut has one Arrow file a source (time, the place of the row's frame in the
// group's order, the readings as they came) and a commit record, which holds
// what is not a column: which frames of which boot the places are, the events
// between them, what was refused, the journal's sequences, and the state of the
// reduction behind the cut. The newest commit record is the only position that
// a restart goes on from.
package archive
