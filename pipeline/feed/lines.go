package feed

import "bytes"

// MaxLine bounds a line; what is longer is refused as one.
const MaxLine = 1 << 20

// Lines cuts what arrives piece by piece into lines.
type Lines struct {
	rest    []byte
	tooLong bool // the line in work has been given up
}

// Push takes a piece and calls line for every line that is complete now,
// without its line feed. One longer than MaxLine is not whole, and only its
// beginning is given. Lines are valid during the call.
func (l *Lines) Push(piece []byte, line func(text []byte, whole bool)) {
	for len(piece) > 0 {
		end := bytes.IndexByte(piece, '\n')
		if end < 0 {
			l.keep(piece)
			return
		}
		if len(l.rest) == 0 && end <= MaxLine {
			line(piece[:end], true)
		} else {
			l.keep(piece[:end])
			line(l.rest, !l.tooLong)
			l.rest, l.tooLong = l.rest[:0], false
		}
		piece = piece[end+1:]
	}
}

// End gives what stands behind the last line feed, if anything. It is not
// whole: a number in it may be cut off and look sound.
func (l *Lines) End(line func(text []byte, whole bool)) {
	if len(l.rest) > 0 {
		line(l.rest, false)
	}
	l.rest, l.tooLong = l.rest[:0], false
}

func (l *Lines) keep(piece []byte) {
	if room := MaxLine - len(l.rest); len(piece) > room {
		piece, l.tooLong = piece[:room], true
	}
	l.rest = append(l.rest, piece...)
}
