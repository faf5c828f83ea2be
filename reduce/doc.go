// Package reduce turns bridge ratios into strain and strain into stress, cycles
// and statistics. Everything in it is a pure function of its arguments: no
// input or output, no clock, no goroutine, no state.
//
// Units are SI: bridge ratios in V/V, resistances in ohm, strain in m/m,
// stress in pascal, angles in radian. Tension is positive. A value that does
// not exist (no root, an undefined angle, an input that is NaN) is NaN; nothing
// is ever replaced by a plausible number, and no input makes a function panic
// except slices of the wrong length, which are a mistake in the caller.
//
// A bridge is one idea for all wirings: four arms, each with a role on the
// article and a number of lead wires in series. The resistance of every arm is
// linear in the reported strain u, so the ratio is a quotient of two
// polynomials of at most second degree and u follows from it in closed form,
// with nonlinearity, leads, thermal output, gauge-factor slope and transverse
// sensitivity removed in that one step. What an arm's resistance is made of
// (thermal term, response to strain, lead resistance) is computed by package
// compensate and handed in as numbers.
//
// What the package does not do: it reads no files, knows no channel names, and
// does not decide what a value means for the article.
package reduce
