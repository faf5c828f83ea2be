package main

import (
	"errors"
	"fmt"
	"io/fs"
	"strings"
	"syscall"

	"glueline/pipeline/journal"
)

// remedyOf is what to do about an error of the machine; "" where the error says it.
func remedyOf(err error) string {
	switch {
	case errors.Is(err, journal.ErrNoCluster):
		return "If that is meant, start with --one-replica; else give a cluster of three."
	case errors.Is(err, syscall.EADDRINUSE), strings.Contains(err.Error(), syscall.EADDRINUSE.Error()): // the broker hands on the words alone
		return "Another program listens at that address, perhaps another glueline serve. Stop it, or give another port."
	case noRoom(err):
		return "Make room on the disk that is full. A service goes on when it is started again, which deploy/glueline.service does by itself: what it acknowledged is kept, and publishers keep the rest."
	case errors.Is(err, syscall.EROFS):
		return "The disk is mounted for reading only. Mount it for writing, or give a folder on another disk."
	case errors.Is(err, fs.ErrPermission):
		return "The user that glueline runs as may not do that. Give the file or folder to that user, or give another one."
	}
	return ""
}

// remedy is what to do about messages that are refused for a reason; "" where
// the detail says it.
func remedy(reason, source string) string {
	back := fmt.Sprintf("glueline quarantine take-back %s", shellWord(source))
	switch reason {
	case "former-boot":
		return "Another publisher has sent frames of this source since, or its publisher goes on under the name of an earlier start. Find the other and stop it; start this one again under a new boot (glueline feed takes a new one by itself). " +
			"Then take the frames back: " + back
	case "too-old":
		return "The frames came more than 1,024 frames late. They are sound; take them back: " + back
	case "number-used":
		return "Two runs of a publisher, or two publishers, have one boot. Find the other and stop it; each run takes a boot of its own (glueline feed does by itself). " +
			"The rows are in the messages: glueline quarantine show WHICH --save FILE, and feed them under another boot"
	case "unfit":
		return "The test file has no use for such columns or units. Mend the logger, or the test file and have the service read it (SIGHUP); then take the frames back: " + back
	case "unknown-source":
		return "The test file declares no such source."
	case "no-frame":
		return "MQTT messages that are no rows: the detail says why. Mend the publisher; deploy/PUBLISHING.md shows the form. The readings are in the message: glueline quarantine show WHICH --save FILE"
	case "event":
		return "An event that came past the commands: look at it, and say it anew with its command."
	}
	return "The publisher sends what is no frame as deploy/PUBLISHING.md describes it; the detail says what is wrong. Mend the publisher, and feed the rows again."
}

// shellWord is text as a shell takes it for one word.
func shellWord(text string) string {
	for _, r := range text {
		switch {
		case r >= 'a' && r <= 'z', r >= 'A' && r <= 'Z', r >= '0' && r <= '9', r == '-', r == '_', r == '.', r == '/':
		default:
			return fmt.Sprintf("%q", text)
		}
	}
	return text
}
