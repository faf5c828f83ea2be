// Package alarms has what is reduced judged in the order of the journal, and keeps
// what the judge knows at each cut.
//
// A Sink is a worker.PlanSink and worker.EventSink around an alarm.Engine. Its
// state behind a cut is on the disk before the cut is in the raw archive, so that
// a restart goes on from the archive's newest cut and decides the same, under the
// same ids. Where no state is, Walk makes it from the archive.
package alarms
