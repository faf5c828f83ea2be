// Package frame turns raw files into frames: consecutive rows of one source,
// in columns, the only form in which raw readings travel.
//
// # Raw files
//
// A raw file holds rows of one source, each with its own, later time. A
// record may be cut into several files; they may be of both forms.
//
// CSV, UTF-8, with or without byte order mark:
//
//	# source: NODE1
//	time,A1 [mV/V],A2 [mV/V]
//	2026-03-01T08:00:00.00Z,0.0123,-1.2e-3
//	2026-03-01T08:00:00.01Z,0.0124,
//
// Lines that begin with # before the header are comments. The delimiter is a
// comma, semicolon, tab or blanks, declared as csv.delimiter of the source or
// found in the header; the decimal mark is a point or a comma, declared or
// found in the first rows; fields may be quoted. An empty field, NaN or a lone
// hyphen is a missing reading; an infinity is a mistake. Units are in brackets
// behind the names. Every row ends in a line feed, the last one too: a row
// without may have been cut off inside a number, and is refused.
//
// Times are ISO 8601 to the nanosecond, with T or a blank between date and
// time. Those without offset are in csv.zone of the source or the zone of the
// test, which one of the two must declare. A count of seconds (or ms, us, ns,
// when the header's unit says so) needs csv.start, the instant of 0: what a
// count means is never guessed.
//
// Arrow IPC, file or stream, uncompressed: a column `time` of timestamp[ns,
// UTC] (other resolutions are converted exactly, times without zone as above),
// columns of float64, float32, int32 or int16 with null for a missing reading,
// the unit in the field metadata `unit` or in brackets in the name, the source
// in the schema metadata `source`. Integers stay integers, as Counts.
//
// Files are mapped into memory where the system can, and must not be changed
// or cut off while they are read.
//
// # Order
//
// All rows of a source make one sequence, cut into frames of RowsPerFrame rows
// from its beginning: frames do not depend on how the record is cut into files
// or batches. The frames of all sources are merged by the time of their first
// row, then by source, then by number.
package frame
