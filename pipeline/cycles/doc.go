// Package cycles counts the strain cycles of a channel while they happen:
// rainflow (ASTM E1049-85, 5.4.4), a histogram of range and mean, and Miner's
// damage sum on an S-N curve of the test file.
//
// A Counter gives what reduce.Rainflow gives of the same points, to the last
// count, however the points are handed to it and wherever it is stored and
// restored between two of them. Points are strains rounded to one microstrain
// (Microstrain); what is smaller is noise of the instrument and would make the
// count depend on it.
//
// # What is no point
//
// A sample without a value, or with a flag that leaves it out
// (flag.LeavesOut: missing, shunt connected, handled, open, replaced and so on),
// is passed over: it neither creates nor closes a cycle. A peak that falls into
// a gap is lost; what the strain has moved by over a gap is real, and counts
// once it turns.
//
// # Zeros
//
// Strain is counted from the first zero that the counter saw, which no later one
// resets. Strain in segments is counted from the zero in force; when that becomes
// another, Rezero adds what the zero moved by to all that follows. The other
// choice, strain from the installation zero throughout, would need every
// sample reduced a second time. Where nobody knows what the zero moved by (another
// gauge, another calibration, new wiring) Break has the next point go on where
// the last one was: what happened between is not known, and no cycle is
// made of it. Package follow does this for the channels of a group.
//
// # Memory
//
// Between points a counter keeps the turning points that no counted cycle has
// removed. Their ranges fall strictly from each to the next, since the method
// counts a range as soon as one that is no smaller follows it (by induction: a
// new range is smaller than the last one that is left, or removes it, until it
// is smaller or the last). They are whole microstrains, at least one, at most
// twice Limit, and so there are at most 2 Limit of them, 2 Limit + 1 points of
// four bytes: 0.8 MB where a decaying oscillation loses one microstrain a
// reversal from 10 % strain on, some tens of points in practice. The histogram is
// Bins x Bins counts, 32 kB a channel.
//
// # Damage
//
// Every counted cycle does its damage at once by its exact range, so the sum has
// no error from bins. Means do not enter: strain is the change since a zero, and
// the mean stress of the article is not in it.
package cycles
