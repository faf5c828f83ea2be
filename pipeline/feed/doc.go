// Package feed makes frames of readings that come as text: CSV or JSON lines of
// one source, a row a line, or JSON messages of several rows.
//
// JSON lines hold one object a row:
//
//	{"units":{"A1":"mV/V","T1":"degC"}}
//	{"time":"2026-05-04T06:00:00.00Z","A1":0.0123,"T1":11.5}
//	{"time":"2026-05-04T06:00:00.02Z","A1":0.0124,"T1":null}
//
// The first line may state units; those that it does not are of the test file.
// The first row names all inputs, null where a reading is missing; what a later
// row leaves out is missing. CSV lines are those of raw CSV files, with a header.
//
// A message holds one row, or as many as its arrays are long:
//
//	{"boot":"2026-05-04-a","counter":4200,"time":["…","…"],"A1":[0.0123,0.0124]}
//
// The package reads and frames; it knows no network and no journal.
package feed
