package health

import (
	"bytes"
	"compress/gzip"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"glueline/sinks/disk"
	"glueline/sinks/segment"
)

// Version is the version of the form of a File.
const Version = 1

// File is what is said of the channels of a group up to a cut.
type File struct {
	Version      int        `json:"version"`
	Test         string     `json:"test"`
	Group        string     `json:"group"`
	Cut          uint64     `json:"cut"`                // the newest that is in it
	UpTo         string     `json:"up_to"`              // time of the newest row
	Commit       string     `json:"commit"`             // SHA-256 of that cut's commit record
	Declared     string     `json:"declared,omitempty"` // digest of the test file that curves, pairs and witnesses are of
	Program      string     `json:"program"`
	Architecture string     `json:"architecture"`
	Previous     string     `json:"previous"` // SHA-256 of the file before, "" for the first
	Channels     []Channel  `json:"channels"`
	Residuals    []Residual `json:"residuals"`
	State        Stored     `json:"state"`
	Sum          string     `json:"sum"` // SHA-256 of the file as it is with an empty sum
}

// Stored is the file of a state.
type Stored struct {
	Bytes  int64  `json:"bytes"`
	SHA256 string `json:"sha256"`
}

// ErrDamaged occurs when a health file is not what this program writes, or does
// not belong to the segments beside it. It is made again from the segments.
var ErrDamaged = errors.New("damaged health file")

const (
	fileSuffix  = ".health.json"
	stateSuffix = ".health.state.gz"
	mostState   = 1 << 30 // bytes of a state: far beyond 2,000 channels
	keptStates  = 2
)

// Name is the file name.
func (f *File) Name() string { return Name(f.Group, f.Cut) }

// Name is the file name of a group's step up to a cut.
func Name(group string, cut uint64) string { return fmt.Sprintf("%s.%08d%s", group, cut, fileSuffix) }

// StateName is the name of its state.
func StateName(group string, cut uint64) string {
	return fmt.Sprintf("%s.%08d%s", group, cut, stateSuffix)
}

// encode is the file as it is written: the same file gives the same bytes.
func (f *File) encode() ([]byte, error) {
	open := *f
	open.Sum = ""
	text, err := marshal(&open)
	if err != nil {
		return nil, err
	}
	open.Sum = sum(text)
	return marshal(&open)
}

func marshal(f *File) ([]byte, error) {
	text, err := json.MarshalIndent(f, "", " ")
	if err != nil {
		return nil, fmt.Errorf("encode health file: %w", err)
	}
	return append(text, '\n'), nil
}

func sum(text []byte) string {
	s := sha256.Sum256(text)
	return hex.EncodeToString(s[:])
}

// Decode reads a file's text, strictly.
func Decode(text []byte) (*File, error) {
	var f File
	d := json.NewDecoder(bytes.NewReader(text))
	d.DisallowUnknownFields()
	if err := d.Decode(&f); err != nil {
		return nil, fmt.Errorf("%w: %w", ErrDamaged, err)
	}
	if f.Version != Version {
		return nil, fmt.Errorf("%w: it is of version %d; this program reads version %d", ErrDamaged, f.Version, Version)
	}
	again, err := f.encode()
	if err != nil || !bytes.Equal(again, text) {
		return nil, fmt.Errorf("%w: its bytes are not those that its sum is of", ErrDamaged)
	}
	return &f, nil
}

// Read reads the file of a group's step, and holds it to its name and to the
// commit record beside it.
func Read(dir, group string, cut uint64) (f *File, hash string, err error) {
	name := Name(group, cut)
	text, err := os.ReadFile(filepath.Join(dir, name))
	if err != nil {
		return nil, "", err
	}
	if f, err = Decode(text); err != nil {
		return nil, "", fmt.Errorf("%s: %w", name, err)
	}
	if f.Group != group || f.Cut != cut {
		return nil, "", fmt.Errorf("%s: %w: it is of cut %d of group %s", name, ErrDamaged, f.Cut, f.Group)
	}
	commit, err := CommitHash(dir, group, cut)
	if err != nil {
		return nil, "", fmt.Errorf("%s: %w: its commit record: %w", name, ErrDamaged, err)
	}
	if commit != f.Commit {
		return nil, "", fmt.Errorf("%s: %w: its commit record is another than it knows", name, ErrDamaged)
	}
	return f, sum(text), nil
}

// CommitHash is the SHA-256 of a cut's commit record.
func CommitHash(dir, group string, cut uint64) (string, error) {
	text, err := os.ReadFile(filepath.Join(dir, segment.CommitRecord{Group: group, Cut: cut}.Name()))
	if err != nil {
		return "", err
	}
	return sum(text), nil
}

// ReadState reads the state of a file; the error is fs.ErrNotExist where it is no
// longer kept.
func (f *File) ReadState(dir string) ([]byte, error) {
	name := StateName(f.Group, f.Cut)
	text, err := os.ReadFile(filepath.Join(dir, name))
	if err != nil {
		return nil, err
	}
	if int64(len(text)) != f.State.Bytes || sum(text) != f.State.SHA256 {
		return nil, fmt.Errorf("%s: %w: its bytes are not those that %s names", name, ErrDamaged, f.Name())
	}
	state, err := unpack(text)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	return state, nil
}

func unpack(text []byte) ([]byte, error) {
	z, err := gzip.NewReader(bytes.NewReader(text))
	if err != nil {
		return nil, fmt.Errorf("%w: %w", ErrDamaged, err)
	}
	state, err := io.ReadAll(io.LimitReader(z, mostState+1))
	switch {
	case err != nil:
		return nil, fmt.Errorf("%w: %w", ErrDamaged, err)
	case len(state) > mostState:
		return nil, fmt.Errorf("%w: a state of more than %d bytes", ErrDamaged, mostState)
	}
	return state, nil
}

// Cuts lists the cuts of a group that have a file, rising.
func Cuts(dir, group string) ([]uint64, error) {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return nil, err
	}
	var cuts []uint64
	for _, e := range entries {
		if g, cut, ok := NameOf(e.Name(), fileSuffix); ok && g == group {
			cuts = append(cuts, cut)
		}
	}
	slices.Sort(cuts)
	return cuts, nil
}

// NameOf takes a file name apart that ends so.
func NameOf(name, suffix string) (group string, cut uint64, ok bool) {
	stem, found := strings.CutSuffix(name, suffix)
	dot := strings.LastIndexByte(stem, '.')
	if !found || dot <= 0 {
		return "", 0, false
	}
	if _, err := fmt.Sscanf(stem[dot+1:], "%d", &cut); err != nil || fmt.Sprintf("%08d", cut) != stem[dot+1:] {
		return "", 0, false
	}
	return stem[:dot], cut, true
}

// Of tells whether a name is that of a file or a state, and of which step.
func Of(name string) (group string, cut uint64, state, ok bool) {
	if group, cut, ok = NameOf(name, fileSuffix); ok {
		return group, cut, false, true
	}
	group, cut, ok = NameOf(name, stateSuffix)
	return group, cut, true, ok
}

// Newest finds the newest step of a group that can be gone on from: its file is
// sound and its state is there. It is nil where there is none. skipped says why
// newer ones are not of use.
func Newest(dir, group string) (f *File, hash string, state []byte, skipped []error, err error) {
	cuts, err := Cuts(dir, group)
	if err != nil {
		return nil, "", nil, nil, err
	}
	for _, cut := range slices.Backward(cuts) {
		f, hash, err := Read(dir, group, cut)
		if err == nil {
			if state, err = f.ReadState(dir); err == nil {
				return f, hash, state, skipped, nil
			}
		}
		if len(skipped) < keptStates+1 && !errors.Is(err, fs.ErrNotExist) {
			skipped = append(skipped, err)
		}
	}
	return nil, "", nil, skipped, nil
}

// Write writes a step, its state first, and returns its hash. The same bytes that
// are there already are no mistake; others are segment.ErrConflict. Older states
// are removed.
func Write(dir string, f *File, state []byte) (hash string, err error) {
	var packed bytes.Buffer
	z, err := gzip.NewWriterLevel(&packed, gzip.BestSpeed)
	if err == nil {
		_, err = z.Write(state)
	}
	if err == nil {
		err = z.Close()
	}
	if err != nil {
		return "", fmt.Errorf("pack the state of health: %w", err)
	}
	f.Version = Version
	f.State = Stored{int64(packed.Len()), sum(packed.Bytes())}
	text, err := f.encode()
	if err != nil {
		return "", err
	}
	folder := disk.At(dir)
	if err := mend(folder, f, sum(packed.Bytes())); err != nil {
		return "", err
	}
	if err := segment.WriteRecord(folder, StateName(f.Group, f.Cut), packed.Bytes()); err != nil {
		return "", fmt.Errorf("state of health: %w", err)
	}
	if err := segment.WriteRecord(folder, f.Name(), text); err != nil {
		return "", fmt.Errorf("health file: %w", err)
	}
	return sum(text), forget(folder, dir, f)
}

// mend takes away what is there under a step's names and is damaged, so that it
// can be made again. What is sound and another stays, and is a conflict.
func mend(folder disk.Folder, f *File, state string) error {
	var sound *File
	text, err := folder.ReadFile(f.Name())
	if err == nil {
		if sound, err = Decode(text); err != nil {
			err = folder.Remove(f.Name())
		}
	}
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("mend health file: %w", err)
	}
	text, err = folder.ReadFile(StateName(f.Group, f.Cut))
	if err == nil && sum(text) != state && (sound == nil || sum(text) != sound.State.SHA256) {
		err = folder.Remove(StateName(f.Group, f.Cut))
	}
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("mend state of health: %w", err)
	}
	return nil
}

// forget removes the states that are too old.
func forget(folder disk.Folder, dir string, f *File) error {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return err
	}
	var cuts []uint64
	for _, e := range entries {
		if g, cut, ok := NameOf(e.Name(), stateSuffix); ok && g == f.Group && cut <= f.Cut {
			cuts = append(cuts, cut)
		}
	}
	slices.Sort(cuts)
	for _, cut := range cuts[:max(0, len(cuts)-keptStates)] {
		if err := folder.Remove(StateName(f.Group, cut)); err != nil {
			return fmt.Errorf("remove an old state of health: %w", err)
		}
	}
	return nil
}
