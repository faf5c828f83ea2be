// Package shares says how much of a strain each correction is worth: what a
// doubted number is made of.
//
// A bridge is solved in one step, so that its corrections have no sizes of their
// own. They are given sizes by switching them on one after another, always in
// this order: bridge nonlinearity, lead wires, thermal output, change of gauge
// factor with temperature, transverse sensitivity. Each share is the strain with
// one effect more, less the strain before. The shares depend on that order, their
// sum does not: it is the strain.
package shares
