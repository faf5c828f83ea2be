// Package faults holds the tests of what the service survives: the real
// program, the real broker and a publisher, each a process of its own that is
// killed, cut off, starved of disk or fed what it should not get. There is
// nothing in it but tests.
package faults
