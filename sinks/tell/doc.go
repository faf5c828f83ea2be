// Package tell hands messages to people: by a command, a webhook or an e-mail.
//
// An Outbox keeps a ledger, JSON lines in the order in which they were written:
// what was decided, what was sent, what failed. What was decided and not sent is
// sent at the next start. A message may come twice, when a process dies between
// sending and writing so: it has the same id then. None is lost silently: what is
// not sent waits, is tried again with doubling pauses, and is told of in Look.
//
// Sending runs in goroutines of its own, one a person and way; Decide never waits
// for it, nor for the disk to have anything.
package tell
