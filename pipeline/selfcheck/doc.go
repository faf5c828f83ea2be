// Package selfcheck proves on the machine it runs on that the program's numbers
// are right. It reads check cases (inputs, expected values with tolerances, and
// where these come from), computes them with the same code that reduces a test,
// and says of every expected quantity whether it came out.
//
// It is strict, because a check that passes without having looked is worse than
// none: a case of an unknown kind, with a key nobody knows, with a value or a
// tolerance missing, is reported and counted as not run. The form of the cases
// is described in CASES.md beside this file.
package selfcheck
