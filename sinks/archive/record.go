package archive

import (
	"bytes"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"sort"
	"strings"

	"glueline/pipeline/worker"
	"glueline/sinks/segment"
)

// RecordVersion is the version of the form of a Record.
const RecordVersion = 1

// Record says that the raw files of one cut are complete.
type Record struct {
	Version      int                  `json:"version"`
	Test         string               `json:"test"`
	Group        string               `json:"group"`
	Cut          uint64               `json:"cut"`
	Journal      worker.Range         `json:"journal"`
	First        uint64               `json:"first"`                 // places of the cut's first and last frame or event in the
	Last         uint64               `json:"last"`                  // group's order, from 1; First is Last+1 when there is none
	CutBytes     int64                `json:"cut_bytes"`             // of raw readings, at which a cut is full
	Calibration  string               `json:"calibration,omitempty"` // digest of the one that holds in this cut; "" when the journal named none
	Revision     string               `json:"revision,omitempty"`    // of the results that the cut went into; "" for the first
	Files        []segment.File       `json:"files"`
	Runs         []Run                `json:"runs"`
	Events       []worker.PlacedEvent `json:"events"`
	Refused      []worker.Refused     `json:"refused"`
	Repeated     uint64               `json:"repeated"` // frames that came again and were dropped
	Program      string               `json:"program"`
	Architecture string               `json:"architecture"`
	Previous     string               `json:"previous"` // SHA-256 of the record before, "" for the first
	State        json.RawMessage      `json:"state"`    // of the reduction behind the cut; the last field, see Encode
}

// Run is a run of frames of one source and boot whose numbers, and counters
// where they have any, follow one another. The places of its frames are in the
// file, beside each row; a source's frames are there in the order of its runs.
type Run struct {
	Source  string `json:"source"`
	Part    int    `json:"part,omitempty"` // of the source's files in this cut: columns changed
	Boot    string `json:"boot"`
	Number  uint64 `json:"number"` // of the first frame
	Frames  uint64 `json:"frames"`
	Counter uint64 `json:"counter,omitempty"` // of its first row
	Counted bool   `json:"counted,omitempty"` // the counter is the source's own
	Late    bool   `json:"late,omitempty"`    // a frame with a higher number came before it
}

// recordSuffix ends the names of commit records.
const recordSuffix = ".commit.json"

// name is the file name of a cut's record.
func name(group string, cut uint64) string {
	return fmt.Sprintf("%s.%08d%s", group, cut, recordSuffix)
}

// Name is the file name of the record.
func (r *Record) Name() string { return name(r.Group, r.Cut) }

// Encode is the record as it is written: the same record gives the same bytes.
// The state, which is long, is one line near the end. The last line is the
// SHA-256 of all before it: a restart goes on from the newest record, whose hash
// no other one holds yet.
func (r *Record) Encode() ([]byte, error) {
	short := *r
	short.State = nil
	text, err := json.MarshalIndent(&short, "", " ")
	if err != nil {
		return nil, fmt.Errorf("encode commit record: %w", err)
	}
	out := bytes.NewBuffer(bytes.TrimSuffix(text, []byte("null\n}")))
	state := r.State
	if len(state) == 0 {
		state = json.RawMessage("null")
	}
	if err := json.Compact(out, state); err != nil {
		return nil, fmt.Errorf("encode commit record: the state: %w", err)
	}
	out.WriteString(",\n")
	sum := sha256.Sum256(out.Bytes())
	fmt.Fprintf(out, "%s%x%s", sumBegins, sum, sumEnds)
	return out.Bytes(), nil
}

// The last line of a record, around the sum.
const (
	sumBegins = ` "sum": "`
	sumEnds   = "\"\n}\n"
)

// checkSum returns a record's text without its last line, as JSON, once that was
// found to be right.
func checkSum(text []byte) ([]byte, error) {
	at := len(text) - len(sumEnds) - 2*sha256.Size - len(sumBegins)
	if at < 0 || string(text[at:at+len(sumBegins)]) != sumBegins {
		return nil, errors.New("it does not end with its sum: it is cut off, or was written by something else")
	}
	sum := sha256.Sum256(text[:at])
	if string(text[at:]) != fmt.Sprintf("%s%x%s", sumBegins, sum, sumEnds) {
		return nil, errors.New("its bytes are not those that its sum is of: it was changed")
	}
	body := bytes.TrimSuffix(text[:at], []byte(",\n"))
	return append(body[:len(body):len(body)], '}'), nil
}

// ErrRecord occurs when a commit record is not what this program writes.
var ErrRecord = errors.New("commit record of the raw archive")

// Decode reads a record of any group and cut, strictly.
func Decode(text []byte) (*Record, error) {
	text, err := checkSum(text)
	if err != nil {
		return nil, fmt.Errorf("%w: %w", ErrRecord, err)
	}
	d := json.NewDecoder(bytes.NewReader(text))
	d.DisallowUnknownFields()
	r := new(Record)
	if err := d.Decode(r); err != nil {
		return nil, fmt.Errorf("%w: %w", ErrRecord, err)
	}
	return r, nil
}

// Read reads the record of one cut.
func Read(dir, group string, cut uint64) (*Record, error) {
	path := filepath.Join(dir, name(group, cut))
	text, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("%w: %w", ErrRecord, err)
	}
	r, err := Decode(text)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	if r.Version != RecordVersion || r.Group != group || r.Cut != cut {
		return nil, fmt.Errorf("%w: %s is cut %d of group %s in version %d; want cut %d of group %s in version %d",
			ErrRecord, path, r.Cut, r.Group, r.Version, cut, group, RecordVersion)
	}
	return r, nil
}

// Newest returns the record of a group's newest cut, nil when there is none. It
// looks for a handful of them however many there are, since they count from 0
// without a gap; Cuts checks that.
func Newest(dir, group string) (*Record, error) {
	if _, err := os.Stat(dir); err != nil {
		return nil, fmt.Errorf("look for the newest cut: %w", err)
	}
	there := func(cut uint64) (bool, error) {
		_, err := os.Lstat(filepath.Join(dir, name(group, cut)))
		if errors.Is(err, fs.ErrNotExist) {
			return false, nil
		}
		return err == nil, err
	}
	// The records are those below some number: it is at least low, and at most
	// high once one of that number was not there.
	low, high, found := uint64(0), uint64(0), true
	for found {
		var err error
		if found, err = there(high); err != nil {
			return nil, fmt.Errorf("look for the newest cut: %w", err)
		}
		if found {
			low, high = high+1, 2*high+1
		}
	}
	for low < high {
		middle := low + (high-low)/2
		found, err := there(middle)
		if err != nil {
			return nil, fmt.Errorf("look for the newest cut: %w", err)
		}
		if found {
			low = middle + 1
		} else {
			high = middle
		}
	}
	if low == 0 {
		_, err := Cuts(dir, group) // there is none, or the first is missing
		return nil, err
	}
	return Read(dir, group, low-1)
}

// Cuts lists the committed cuts of a group, which count from 0 without a gap:
// a gap is an error, since something that was committed is missing.
func Cuts(dir, group string) ([]uint64, error) {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return nil, fmt.Errorf("list the raw archive: %w", err)
	}
	var cuts []uint64
	for _, e := range entries {
		text, isRecord := strings.CutSuffix(e.Name(), recordSuffix)
		text, isOurs := strings.CutPrefix(text, group+".")
		if !isRecord || !isOurs {
			continue
		}
		var cut uint64
		if _, err := fmt.Sscanf(text, "%d", &cut); err != nil || name(group, cut) != e.Name() {
			continue
		}
		cuts = append(cuts, cut)
	}
	sort.Slice(cuts, func(i, j int) bool { return cuts[i] < cuts[j] })
	for i, cut := range cuts {
		if cut != uint64(i) {
			return nil, fmt.Errorf("%w: cut %d of group %s is missing in %s, cut %d is there", ErrRecord, i, group, dir, cut)
		}
	}
	return cuts, nil
}
