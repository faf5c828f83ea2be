// Package testfile reads a test file: one YAML document that says everything
// about a test that turns raw readings into strain and stress.
//
// A quantity is a number with its unit, and perhaps a tolerance: "350 ohm ± 0.3 %",
// "24 degC", "AWG 26", "0.9 %/100 degC". It is kept in the base unit of its
// dimension. A tolerance in the quantity's own unit, or without one, is absolute;
// one in % of something that is not itself in % is relative. A number without a
// unit where one is needed is refused, with what to write. Times are ISO 8601, with
// an offset or local to the test's zone. Names stay as they are written: 010 is
// not 8, and yes is a name where a name is meant.
//
// Reading is strict and complete: Load reports every mistake at once (Problems),
// each with file, line and column in characters, what was found, and what to
// write. A mistake is told where it was made and once; what depends on it is not
// told again. Cross checks hold the parts against each other: names that refer to
// nothing, rosette grids of two sources, a temperature of another group, a
// thermal-output polynomial used outside its range, and so on.
//
// Materials not described in the file come from a small library of handbook
// values (Library). What an installation record says, held to the rules of
// practice (Rules), gives each gauge its Envelope: the temperatures and times in
// which it may be believed.
//
// The package does not reduce anything, and it opens no files other than the test
// file and the channel list beside it.
package testfile
