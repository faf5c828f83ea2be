// Package health keeps what is known of the channels of a group up to a cut:
// drift, its onset and causes, noise, cycles and damage, and what declared pairs
// and rosettes leave over. It stands beside the segments and never in them, since
// it is a second, sequential pass over committed files.
//
// There are two files a step, both written once and never changed:
//
//	main.00000012.health.json      what is said of each channel (File)
//	main.00000012.health.state.gz  what the pass remembers, to go on from
//
// A step reaches from the cut behind the step before to the first cut whose data
// are of another hour than the step before: an hour of data, or one cut where that
// is longer. A file a cut would say no more and cost much: a channel's record grows
// by the hour, a large test ends a cut every few seconds, and each file tells of all
// channels. What is younger than the newest step is followed when somebody asks.
// Each revision has files of its own, beside its segments.
// Each step is a function of the one before, of the commit records and segments
// in it, and of the test file in force, so that whoever makes it, and however
// often he was stopped, makes the same bytes. The chain is held by hashes: a file
// names that of the file before, of the commit record that it reaches to, and of
// its state. States are large, and only the newest two are kept: any is made
// again from the segments.
package health
