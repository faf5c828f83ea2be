package verify

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"

	"glueline/sinks/archive"
	"glueline/sinks/segment"
)

// record is what raw and reduced records have in common, and the one that it is.
type record struct {
	name      string // of its file
	test      string
	group     string
	cut       uint64
	previous  string
	program   segment.Program
	files     []segment.File
	sum       string // SHA-256 of its bytes
	canonical bool   // its bytes are those that this program writes
	place     uint64 // that the state behind it is of; raw only
	behind    string // digest of the calibration that holds behind it; raw only

	raw     *archive.Record // one of these
	reduced *segment.CommitRecord
}

// decode reads the record of that name.
func (f *folder) decode(name string) (*record, error) {
	text, err := os.ReadFile(f.file(name))
	if err != nil {
		return nil, err
	}
	sum := sha256.Sum256(text)
	r := &record{name: name, sum: hex.EncodeToString(sum[:])}
	if !f.isRaw {
		c, err := segment.DecodeCommit(text)
		if err != nil {
			return nil, err
		}
		again, err := c.Encode()
		if err != nil {
			return nil, err
		}
		r.test, r.group, r.cut, r.previous, r.files, r.reduced = c.Test, c.Group, c.Cut, c.Previous, c.Files, &c
		r.program, r.canonical = segment.Program{Version: c.Program, Architecture: c.Architecture}, bytes.Equal(again, text)
		return r, nil
	}
	c, err := archive.Decode(text)
	if err != nil {
		return nil, err
	}
	if c.Version != archive.RecordVersion {
		return nil, fmt.Errorf("a commit record of version %d; this program reads version %d", c.Version, archive.RecordVersion)
	}
	again, err := c.Encode()
	if err != nil {
		return nil, err
	}
	var state struct {
		Place       uint64 `json:"place"`
		Calibration string `json:"calibration"`
	}
	if err := json.Unmarshal(c.State, &state); err != nil {
		return nil, fmt.Errorf("the state in it: %w", err)
	}
	r.test, r.group, r.cut, r.previous, r.files, r.raw = c.Test, c.Group, c.Cut, c.Previous, c.Files, c
	r.program, r.canonical, r.place = segment.Program{Version: c.Program, Architecture: c.Architecture}, bytes.Equal(again, text), state.Place
	r.behind = state.Calibration
	c.State = nil // it is long, and who needs it reads it again
	return r, nil
}

// nameOf is the name of a group's record.
func nameOf(group string, cut uint64) string {
	return segment.CommitRecord{Group: group, Cut: cut}.Name()
}

// records reads a group's records up to the last cut and checks them against
// each other; one that is missing or unreadable is nil.
func (w *walk) records(f *folder, group string, last uint64) []*record {
	all := make([]*record, last+1)
	errs := make([]error, last+1)
	tests := map[string]int{}
	for cut := range all {
		if all[cut], errs[cut] = f.decode(nameOf(group, uint64(cut))); errs[cut] == nil {
			tests[all[cut].test]++
		}
	}
	if w.test == "" {
		for test, n := range tests {
			if n > tests[w.test] || n == tests[w.test] && test < w.test {
				w.test = test
			}
		}
	}
	for cut := range all {
		if !w.itself(f, group, uint64(cut), all[cut], errs[cut]) {
			all[cut] = nil
			f.lost[nameOf(group, uint64(cut))] = true
			continue
		}
		r := all[cut]
		if cut == 0 && r.previous != "" {
			w.damage(f, group, Chain, r.name, "it follows another record, but is the first")
		}
		if cut == 0 || all[cut-1] == nil {
			continue
		}
		before := all[cut-1]
		if r.previous != before.sum {
			w.damage(f, group, Chain, before.name, fmt.Sprintf("it is not the record that %s follows: one of the two was changed or exchanged", r.name))
		}
		if r.program != before.program {
			w.note("%s%s: from here on made by %s on %s, before by %s on %s", f.label, r.name,
				r.program.Version, r.program.Architecture, before.program.Version, before.program.Architecture)
		}
	}
	return all
}

// itself reports whether a record is that of its name, whatever its neighbours.
func (w *walk) itself(f *folder, group string, cut uint64, r *record, err error) bool {
	name := nameOf(group, cut)
	wrong := func(kind Kind, format string, args ...any) bool {
		w.damage(f, group, kind, name, fmt.Sprintf(format, args...))
		return false
	}
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return wrong(RecordMissing, "the record of this cut is not there, others are")
	case err != nil:
		return wrong(RecordUnreadable, "%v", err)
	case r.group != group:
		return wrong(RecordForeign, "it is a record of the group %q", r.group)
	case r.cut != cut:
		return wrong(RecordDoubled, "it is the record of cut %d under the name of cut %d", r.cut, cut)
	case r.test != w.test:
		return wrong(RecordForeign, "it is a record of the test %q, the others are of %q", r.test, w.test)
	case !r.canonical:
		return wrong(RecordUnreadable, "its text is not as the program writes it: somebody edited it")
	}
	return true
}
