// Package compare says how far two reductions of the same readings are apart:
// column by column, over all and over stretches of time, by reading both once,
// side by side. Memory does not grow with their length.
//
// Rows belong together where source and time are the same, wherever either side's
// files end. A row that only one side has is counted and told of. In rows that are
// out of order on one side and lacking on the other, neighbours may be taken for
// one-sided too; nothing is ever paired with another time.
//
// Differences are the second side's value less the first's; of directions of an
// axis, which are in radians, the turn by the shorter way.
package compare
