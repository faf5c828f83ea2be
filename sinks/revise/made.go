package revise

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"

	"glueline/pipeline/worker"
	"glueline/sinks/archive"
	"glueline/sinks/disk"
	"glueline/sinks/segment"
)

// made is what is known of a cut whose files are there and whose commit record
// is not yet.
type made struct {
	Record segment.CommitRecord `json:"record"` // but for the hash of the one before
	Start  string               `json:"start"`  // SHA-256 of the state that it began from
	After  json.RawMessage      `json:"after"`  // state behind it; null when the archive has the same
}

// madeName begins with a dot: readers of results pass it over.
func madeName(group string, cut uint64) string {
	return fmt.Sprintf(".%s.%08d.made.json", group, cut)
}

// stateName is the file of the state behind a cut, where it is another than the
// archive's.
func stateName(group string, cut uint64) string {
	return fmt.Sprintf("%s.%08d.state.json", group, cut)
}

// ErrState occurs when the file of a state is not what was written.
var ErrState = errors.New("damaged state behind a cut")

// state is the state of the pure function behind a committed cut of this
// revision; nil before the first.
func (w *work) state(cut uint64) (json.RawMessage, error) {
	if cut == 0 {
		return nil, nil
	}
	own, err := w.ownState(cut - 1)
	if err != nil || own != nil {
		return own, err
	}
	return w.archived(cut - 1)
}

// ownState is what a revision keeps because the archive has another; nil when
// it has not.
func (w *work) ownState(cut uint64) (json.RawMessage, error) {
	name := stateName(w.Group, cut)
	text, err := w.out.ReadFile(name)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	state, sum, ok := bytes.Cut(text, []byte("\n"))
	if !ok || string(bytes.TrimSpace(sum)) != hashOf(state) {
		return nil, fmt.Errorf("%w: %s; remove it and the records of group %s from cut %d on, and reduce again", ErrState, name, w.Group, cut)
	}
	return state, nil
}

// StateBehind is the state of a worker behind the newest cut of an archive, for
// the revision of a folder.
func StateBehind(dir string, newest *archive.Record) (json.RawMessage, error) {
	w := &work{Order: Order{Group: newest.Group}, out: disk.At(dir)}
	own, err := w.ownState(newest.Cut)
	if err != nil || own == nil {
		return newest.State, err
	}
	return worker.WithGroupState(newest.State, own)
}

func (w *work) writeState(cut uint64, state json.RawMessage) error {
	text := append(append([]byte{}, state...), '\n')
	return segment.WriteRecord(w.out, stateName(w.Group, cut), append(text, hashOf(state)+"\n"...))
}

// archived is the state that the archive has behind a cut.
func (w *work) archived(cut uint64) (json.RawMessage, error) {
	r, err := w.record(cut)
	if err != nil {
		return nil, err
	}
	return r.group, nil
}

// archivedCut is a cut as the archive has it, and the state of the pure function
// behind it.
type archivedCut struct {
	*archive.Record
	group json.RawMessage
}

// remembered is how many cuts are not read again: those at work and before them.
const remembered = 16

// record is a cut of the archive. Its state is long, and asked for several times.
func (w *work) record(cut uint64) (archivedCut, error) {
	w.reading.Lock()
	defer w.reading.Unlock()
	if r, ok := w.known[cut]; ok {
		return r, nil
	}
	record, err := archive.Read(w.Raw, w.Group, cut)
	if err != nil {
		return archivedCut{}, err
	}
	r := archivedCut{Record: record}
	if r.group, err = worker.GroupState(record.State); err != nil {
		return r, err
	}
	if len(w.known) >= remembered {
		oldest := cut
		for c := range w.known {
			oldest = min(oldest, c)
		}
		delete(w.known, oldest)
	}
	if w.known == nil {
		w.known = map[uint64]archivedCut{}
	}
	w.known[cut] = r
	return r, nil
}

// rawBytes is the size of what came in a cut.
func rawBytes(r *archive.Record) (bytes int64) {
	for _, f := range r.Files {
		bytes += f.Bytes
	}
	return bytes
}

func hashOf(text []byte) string {
	sum := sha256.Sum256(text)
	return hex.EncodeToString(sum[:])
}

// readMade reads the note of a cut; nil when there is none, or none that can be
// read: the cut is made again then.
func (w *work) readMade(cut uint64) *made {
	text, err := w.out.ReadFile(madeName(w.Group, cut))
	if err != nil {
		return nil
	}
	var m made
	if json.Unmarshal(text, &m) != nil || m.Record.Cut != cut {
		return nil
	}
	if string(m.After) == "null" {
		m.After = nil
	}
	return &m
}
