package segment

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"

	"glueline/pipeline/event"
	"glueline/sinks/disk"
)

// File is what is known of a segment's file once it is on disk.
type File struct {
	Name      string     `json:"name"`
	Rows      int64      `json:"rows"`
	Bytes     int64      `json:"bytes"`
	SHA256    string     `json:"sha256"`     // of the whole file, hexadecimal
	FirstTime int64      `json:"first_time"` // nanoseconds since 1970-01-01 UTC; 0 without rows
	LastTime  int64      `json:"last_time"`
	Batches   []BatchSum `json:"batches"`
}

// BatchSum is where a batch stands in its file, and its checksum, which is
// compared at every read.
type BatchSum struct {
	Offset int64  `json:"offset"`
	Length int64  `json:"length"`
	Rows   int    `json:"rows"`
	CRC32C uint32 `json:"crc32c"` // Castagnoli
}

// CommitRecord says that the files of one cut are complete. It is written
// last, once, and never changed.
type CommitRecord struct {
	Version      int               `json:"version"` // of this form: 1
	Test         string            `json:"test"`
	Group        string            `json:"group"`
	Cut          uint64            `json:"cut"` // counts the cuts of a group from 0
	Files        []File            `json:"files"`
	Calibration  string            `json:"calibration"`           // digest of the constants
	Program      string            `json:"program"`               // version of the program that made the files
	Architecture string            `json:"architecture"`          // across versions and architectures values agree to 1e-12, not to the bit
	Previous     string            `json:"previous"`              // SHA-256 of the record before, "" for the first
	Zeros        []Zero            `json:"zeros"`                 // in force at the end
	OtherZeros   []Zero            `json:"other_zeros,omitempty"` // replaced, kept for drift, void, …, in this cut
	Load         string            `json:"load,omitempty"`        // the auxiliary quantity that strain is read against
	Events       []event.Event     `json:"events,omitempty"`      // what people did, in the order in which the reduction met it
	Extra        map[string]string `json:"extra,omitempty"`
}

// RecordVersion is the version of the form that WriteCommit writes.
const RecordVersion = 1

// ErrConflict is returned by WriteCommit when the cut is committed already
// with other contents: two writers disagree about what the same input gives.
// Stop and say so.
var ErrConflict = errors.New("another commit record of the same name is there already")

// Name is the file name of the record.
func (r CommitRecord) Name() string {
	return fmt.Sprintf("%s.%08d.commit.json", r.Group, r.Cut)
}

// Encode is the record as it is written: the same record gives the same bytes.
func (r CommitRecord) Encode() ([]byte, error) {
	b, err := json.MarshalIndent(r, "", "  ")
	if err != nil {
		return nil, fmt.Errorf("encode commit record: %w", err)
	}
	return append(b, '\n'), nil
}

// WriteCommit creates the record in dir, as WriteRecord does.
func WriteCommit(dir string, r CommitRecord) error {
	text, err := r.Encode()
	if err != nil {
		return err
	}
	return WriteRecord(disk.At(dir), r.Name(), text)
}

// WriteRecord creates a record of that name in dir, exclusively and synced,
// behind everything that was done there before: a record that survives the
// power means that what it names has survived too. When the same bytes are
// there already it succeeds, since a repeated commit is no mistake; when others
// are, it returns ErrConflict and changes nothing.
//
// The record gets its final name by a link from a complete, synced temporary
// file: a name that exists always has all of its contents.
func WriteRecord(dir disk.Folder, name string, text []byte) error {
	temporary := temporaryName(name)
	f, err := dir.Create(temporary)
	if err != nil {
		return fmt.Errorf("create commit record: %w", err)
	}
	defer func() { _ = dir.Remove(temporary) }() // a record that is complete has its other name by then
	_, err = f.Write(text)
	if err == nil {
		err = f.Sync()
	}
	if closeErr := f.Close(); err == nil {
		err = closeErr
	}
	if err != nil {
		return fmt.Errorf("write commit record: %w", err)
	}
	if err := dir.Sync(); err != nil {
		return fmt.Errorf("commit %s: %w", name, err)
	}
	if err := dir.Link(temporary, name); err != nil {
		if !errors.Is(err, fs.ErrExist) {
			return fmt.Errorf("create commit record: %w", err)
		}
		there, err := dir.ReadFile(name)
		if err != nil {
			return fmt.Errorf("read the commit record that is there: %w", err)
		}
		if !bytes.Equal(there, text) {
			return fmt.Errorf("%s: %w", name, ErrConflict)
		}
	}
	if err := dir.Sync(); err != nil {
		return fmt.Errorf("commit %s: %w", name, err)
	}
	return nil
}

// instance tells temporary files of one process apart.
var instance atomic.Uint64

// process tells those of one process from those of another: its number would
// not, since in a container every process may have the same.
var process = rand.Uint64()

// temporaryName is what a file is called while it is being written.
func temporaryName(name string) string {
	return fmt.Sprintf(".%s%s%d", name, temporaryOf(process), instance.Add(1))
}

func temporaryOf(process uint64) string { return fmt.Sprintf(".tmp-%016x-", process) }

// RemoveTemporary removes what killed processes left unfinished in a folder that
// no other process writes to now.
func RemoveTemporary(dir string) error {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return fmt.Errorf("remove temporary files: %w", err)
	}
	for _, e := range entries {
		if strings.HasPrefix(e.Name(), ".") && strings.Contains(e.Name(), ".tmp-") && !strings.Contains(e.Name(), temporaryOf(process)) {
			if err := os.Remove(filepath.Join(dir, e.Name())); err != nil {
				return fmt.Errorf("remove temporary files: %w", err)
			}
		}
	}
	return nil
}

// ReadCommit reads a record, strictly.
func ReadCommit(path string) (CommitRecord, error) {
	text, err := os.ReadFile(path)
	if err != nil {
		return CommitRecord{}, err
	}
	r, err := DecodeCommit(text)
	if err != nil {
		return r, fmt.Errorf("%s: %w", path, err)
	}
	return r, nil
}

// DecodeCommit reads a record from its text, strictly.
func DecodeCommit(text []byte) (CommitRecord, error) {
	var r CommitRecord
	d := json.NewDecoder(bytes.NewReader(text))
	d.DisallowUnknownFields()
	if err := d.Decode(&r); err != nil {
		return r, err
	}
	if r.Version != RecordVersion {
		return r, fmt.Errorf("a commit record of version %d; this program reads version %d", r.Version, RecordVersion)
	}
	return r, nil
}
