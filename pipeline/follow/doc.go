// Package follow goes through what was reduced a second time, in order, and
// gives each channel a record of its drift and a count of its cycles. It reads
// the series that stand in segments and the events of people, and changes
// neither.
//
// A reading for drift is the mean over a minute of the samples that no flag
// leaves out and whose temperature is not of another time, with what was read
// beside it: load, temperatures, humidity, and what the other channels of the
// source did. Some flags come a few samples late (open, shorted, saturated,
// frozen): their minute, and the one before, do not count.
//
// The article is idle when people said so; where nobody speaks of it, while the
// load is within the lowest twentieth of its span (common practice, no source);
// without a load, always.
//
// # Memory
//
// It does not grow with the samples. Channels are bounded (see drift.Record and
// cycles.Counter). Beside them the load by the minute, and temperatures, humidity,
// excitation and reference inputs by ten minutes, are kept for two hours behind the
// newest, for rows that come later; a stretch that is taken at once is held whole,
// 29 kB a day and 2.3 kB a day for each.
//
// # Going on
//
// A Pass takes a group stretch by stretch. Its State is JSON, and a pass that was
// restored from it goes on bit for bit as one that was not interrupted.
//
// # What it knows beside the strain
//
// Reference inputs and the excitation of the channel's own source, the load and
// the humidity of any, the other channels of the source, and the witness gauges and
// neighbours that a test file declares. Witnesses and neighbours are read by name
// within the group only: of those of another group a reading has no covariate.
package follow
