// Package steps reports a test by its load steps: a step and channel a row, with
// the mean over the hold, the load, what was predicted, the slope of strain
// against load, residual, hysteresis and return to zero; and the shunt checks
// that were made. It works on reduced series and the events of people, wherever
// they come from, so that a table of a running test and one of the same test
// reduced again are the same table.
package steps
