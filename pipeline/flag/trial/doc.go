// Package trial tries every flag of package flag: simulated faults, each in ohms,
// volts or seconds, go through the reduction, and the flag must stand within a
// stated number of samples and go again as it is documented; clean data must not
// be flagged; and a reduction that is cut off anywhere and goes on from its state
// must give the same. What is stated stands in deploy/FLAGS.md. There is nothing
// in this package but tests.
package trial
