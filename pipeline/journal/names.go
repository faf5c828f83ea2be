package journal

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"strconv"
	"strings"
)

// maxToken keeps a stream's name below what file names may have.
const maxToken = 80

// token makes a name fit to be part of a subject and of a file name: letters,
// digits, '-' and '_' stay, every other byte becomes '=' and two hexadecimal
// digits. A long name is cut and gets "==" and a hash. Different names give
// different tokens.
func token(name string) string {
	var b strings.Builder
	for i := range len(name) {
		switch c := name[i]; {
		case c >= 'a' && c <= 'z', c >= 'A' && c <= 'Z', c >= '0' && c <= '9', c == '-', c == '_':
			b.WriteByte(c)
		default:
			fmt.Fprintf(&b, "=%02X", c)
		}
	}
	if b.Len() <= maxToken {
		return b.String()
	}
	hash := sha256.Sum256([]byte(name))
	return b.String()[:maxToken-34] + "==" + hex.EncodeToString(hash[:16])
}

// untoken is the name of a token that was not cut.
func untoken(text string) (string, bool) {
	var b strings.Builder
	for i := 0; i < len(text); i++ {
		if text[i] != '=' {
			b.WriteByte(text[i])
			continue
		}
		if i+3 > len(text) {
			return "", false
		}
		c, err := strconv.ParseUint(text[i+1:i+3], 16, 8)
		if err != nil {
			return "", false
		}
		b.WriteByte(byte(c))
		i += 2
	}
	return b.String(), true
}

// names are those of one journal.
type names struct {
	stream string
	prefix string // of all its subjects, with the last point
}

func namesOf(test, group string) names {
	return names{
		stream: "glueline~" + token(test) + "~" + token(group), // no token has a '~'
		prefix: "glueline." + token(test) + "." + token(group) + ".",
	}
}

func (n names) frame(source string) string { return n.prefix + "frame." + token(source) }
func (n names) event() string              { return n.prefix + "event" }
func (n names) control() string            { return n.prefix + "control" }

func (n names) owner() string       { return n.prefix + "owner" }
func (n names) ownerStream() string { return n.stream + "~owner" }

func (n names) quarantineStream() string   { return n.stream + "~quarantine" }
func (n names) quarantineSubjects() string { return n.prefix + "quarantine.*.*" }
func (n names) quarantined(identity string, seq uint64) string {
	return n.prefix + "quarantine." + token(identity) + "." + strconv.FormatUint(seq, 10)
}

// StreamName is the name of a group's stream, for tools of the broker.
func StreamName(test, group string) string { return namesOf(test, group).stream }

// FrameSubject is the subject to which a source's frames are published.
func FrameSubject(test, group, source string) string { return namesOf(test, group).frame(source) }
