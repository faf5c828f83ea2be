// Package overview keeps a pyramid of least, greatest and mean values beside the
// segments, so that six weeks of a channel, or any part of them, are drawn from a
// few thousand numbers.
//
// Level 0 of a segment has a bin for each 128 rows, every further level one for
// eight bins of the level below, up to a single bin. A file is a function of its
// segment alone, so that it is the same whoever makes it and whenever; it is a
// cache, stands in a folder of its own, and is made again where it is missing or
// damaged. Rows themselves, below level 0, are read from the segment.
//
//	magic    "glueline overview 1\n"
//	header   length uint32, JSON (segment, sha256, rows, columns), CRC-32C of the JSON uint32
//	levels   from 0 up, each: the times of its bins, then each column's bins
//
// Times are two int64 a bin, the earliest and the latest. A column's bin is least,
// greatest, mean float64, samples with a value uint32, flags of all its rows by "or"
// uint32; without a value the three are NaN. Behind each such block stands its
// CRC-32C, compared at every read. All is little-endian.
package overview
