package journal

// What is sent to whoever listens just then, and kept by nobody, has subjects
// beside those of the journal.

// ReducedSubject is where the reduced rows of a source are sent to.
func ReducedSubject(test, group, source string) string {
	return namesOf(test, group).prefix + "reduced." + token(source)
}

// EnvelopeSubject is where the envelopes of a source are sent to.
func EnvelopeSubject(test, group, source string) string {
	return namesOf(test, group).prefix + "envelope." + token(source)
}

// Send sends data to whoever listens to a subject now. It returns before they
// have it, and fails while there is no connection.
func (c *Conn) Send(subject string, data []byte) error { return c.nc.Publish(subject, data) }
