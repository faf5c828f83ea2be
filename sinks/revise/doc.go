// Package revise reduces the raw archive of a group again, into a new folder
// beside the results that are there: cut by cut, each from the state before it,
// on all cores and in as many processes as share the folder.
//
// Only what another timeline touches is computed. A source whose constants are
// the same, and whose state before the cut is the same, gives the same bytes: its
// file enters the new folder by a link, and nothing of it is read. The state of
// the pure function is raw, so that nearly every cut can be made alone from the
// state that the archive has before it. Where a change reaches into that state
// (a temperature sensor's constants, a wire moved to another input), what a cut
// ends with is compared with what the archive has there, and the cut behind it
// begins from the former: the result is that of reducing from the first frame on,
// whatever the change was.
//
// Files of a cut are made in any order. Its commit record, which holds the hash
// of the record before, is written in the order of cuts by whichever process
// comes first; until then a note beside the files says what will be in it.
// Everything may be killed at any instant, and goes on from there.
package revise
