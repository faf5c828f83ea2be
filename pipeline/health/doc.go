// Package health judges channels by their reduced values over a whole test: it
// names the ones that opened, saturated, took up moisture or lost their
// temperature. It sees what a segment holds (times, values, flags) and nothing
// else: no raw readings, no events, no constants.
//
// A Finder is fed series in any order of names, each in order of time, as they
// stream by; what it keeps of a series is bounded whatever its length.
package health
