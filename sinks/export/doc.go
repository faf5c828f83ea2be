// Package export writes reduced segments as tables for other programs, a table a
// source: CSV or Parquet, all rows or the least, the largest and the mean of
// stretches of them. It reads every file once, or twice with a tare, batch by batch:
// memory does not grow with the length of a test.
//
// What it leaves out is said in the columns' names or in Report: nothing is repaired,
// nothing that a flag leaves out goes into a mean unless it is asked for.
//
// Parquet is written only. The library that writes it may panic on what it did not
// write.
package export
