// Package journal keeps the frames and events of a group in one order, on
// JetStream: one file stream a group, in an embedded server or in one that is
// there already, by one code path.
//
// A journal begins with a random identity, so that one that was made anew is
// never taken for the old one. Its subjects are those of the declared sources:
//
//	glueline.<test>.<group>.frame.<source>   frames
//	glueline.<test>.<group>.event            events, each under an id
//	glueline.<test>.<group>.control          the identity
//
// It is limited by bytes alone and refuses what is new when full (ErrFull).
// Publishing waits until the message is as durable as the server makes it.
// Reading starts at a sequence and goes on without a gap, or says why not:
// what comes out of a Reader is the journal, or an error.
//
// The package knows nothing of what frames mean, and does not notice
// repetitions: a publisher whose acknowledgement was lost sends its frame
// again, and the reader sees both.
package journal
