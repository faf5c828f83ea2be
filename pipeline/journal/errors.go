package journal

import "errors"

var (
	// ErrFull means: the journal's limit or its disk is reached and the message was
	// not taken. Keep it and try again: trimming or more room lets it in.
	ErrFull = errors.New("the journal is full")

	// ErrUnknownSource means: the source is not declared. Its messages have no place.
	ErrUnknownSource = errors.New("the source is not declared")

	// ErrNoJournal means: there is no journal of that test and group.
	ErrNoJournal = errors.New("there is no such journal")

	// ErrIdentity means: a journal of the same name that is another one. Stop: its
	// sequences mean other messages.
	ErrIdentity = errors.New("the journal was made anew")

	// ErrGap means: the message asked for was trimmed, or messages are missing in the
	// middle. Stop.
	ErrGap = errors.New("messages of the journal are missing")

	// ErrLostTail means: the journal ends before a message that it had acknowledged,
	// or has another in its place. Stop.
	ErrLostTail = errors.New("the journal lost its end")

	// ErrConfig means: a stream of the journal's name that is set up for something
	// else. Nothing was changed.
	ErrConfig = errors.New("the stream is not set up as a journal")

	// ErrOneReplica means: a server of others keeps the journal on one machine only,
	// and nobody said that this is meant.
	ErrOneReplica = errors.New("one replica: what is acknowledged is lost with one machine")

	// ErrNoCluster means: a server of others was asked to keep the journal on three
	// machines, and is one.
	ErrNoCluster = errors.New("the server is one machine and no cluster of three, so what is acknowledged would be lost with it")

	// ErrOpenListener means: the address can be reached from the network, and anyone
	// could publish.
	ErrOpenListener = errors.New("refusing to listen without authentication beyond this machine")

	// ErrServerFailed means: the embedded server does not work any more and will not
	// by itself. End the process and start again.
	ErrServerFailed = errors.New("the embedded server has failed")

	// ErrNumber means: a frame is not the one that follows the frame sent before.
	ErrNumber = errors.New("the frame number does not follow")

	// ErrOvertaken means: another publisher has sent frames of the source since. The
	// frame was not taken: send it again as one of a new boot.
	ErrOvertaken = errors.New("another publisher has sent frames of the source")

	// ErrRival means: another publisher goes on sending frames of the same source. Stop
	// one of the two; a Publisher waits until the other is silent.
	ErrRival = errors.New("two publishers send frames of the same source")

	// ErrNotAllowed means: the server refuses what is published to a subject, because
	// of who asks. Trying again is of no use until somebody grants the right.
	ErrNotAllowed = errors.New("the server does not allow it")

	// ErrUnsent means: a publisher was closed before all its frames were acknowledged.
	ErrUnsent = errors.New("frames are not acknowledged")

	// ErrClosed means: used after Close.
	ErrClosed = errors.New("closed")
)
