// Package budget says how well a result is known, to first order, as the Guide to
// the expression of uncertainty in measurement has it (JCGM 100:2008). It is pure.
package budget
