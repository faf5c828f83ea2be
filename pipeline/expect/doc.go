// Package expect says what a test file lets one expect before any data exists:
// how large the signals will be, what would be wrong without each correction,
// and what in the set-up deserves a second look. Every number comes from the
// code that later reduces the readings.
//
// It does no I/O and knows no clock; printing is for the command.
package expect
