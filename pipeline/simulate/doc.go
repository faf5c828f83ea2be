// Package simulate makes the raw data of an invented test, Hollin Lock: the
// lower gate of a refurbished canal lock is proof-filled again and again while
// 32 strain channels, ten temperatures and the water level are recorded.
//
// It is a physical model and shares nothing with the packages that reduce the
// data: a bridge is a network of resistors, one for every grid, every fixed
// resistor and every wire, solved by nodal analysis at each sample; grids change
// with strain, temperature and moisture; instruments have gain, drift, noise, a
// range and a resolution. What comes out of the reduction can therefore be held
// against what went in here (Truth).
//
// The same options give the same bytes. Every channel draws its noise from a
// stream of its own, so that a fault in one does not alter another.
//
// What it does not do: it does not flag, judge or correct anything, and a gauge
// has exactly its lot's gauge factor, so that an error of the reduction is not
// hidden behind scatter.
package simulate
