// Package drift follows one channel over weeks and says whether it still tells
// the truth, since when it does not, and why. Nothing is repaired and nothing is
// removed from the data: the outcome is a ranked list of causes with evidence
// for and against each, and the one measurement that would decide.
//
// The way through the package: a Gatherer makes Windows (some ten minutes) of
// readings; a Record takes windows, shunt checks, insulation readings and zeros
// in the order of the journal and keeps Epochs (an hour at first) in bounded
// memory, while three cumulative sums watch the zero, the slope against load and
// the noise on line; Judge reads a record and returns a Verdict.
//
// Everything is against the installation zero: a later zero moves what is
// reported, not what is recorded here (see Record.Zero). All strains are in m/m;
// only the sentences of the evidence speak of microstrain. A record is plain
// JSON, and one that was written and read back in the middle goes on bit for bit
// as one that was not.
//
// The detector is the cumulative sum of E. S. Page, "Continuous inspection
// schemes", Biometrika 41 (1954), with the estimate of the time of change by
// its last zero (D. M. Hawkins, D. H. Olwell, Cumulative Sum Charts and
// Charting for Quality Improvement, 1998). What it cannot know: the sign of a
// drift proves nothing, an instrument or the thermal output is never more than
// probable without a reference input or a witness gauge, and a change at a new
// load maximum may be the structure until a person rules that out by name.
package drift
