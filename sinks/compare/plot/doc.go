// Package plot draws courses over time, each between its least and its largest
// values, as SVG and as PNG: the same picture twice, laid out once. The same
// numbers give the same bytes.
//
// It draws what package compare found; it does no arithmetic on strain.
package plot
