// Package sinktest holds the contract that every worker.Sink meets, as tests; a
// new sink gets a line in the table there.
package sinktest
