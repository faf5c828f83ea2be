package health

import (
	"bytes"
	"errors"
	"flag"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"glueline/sinks/segment"
)

var update = flag.Bool("update", false, "rewrite the golden file")

// sound is a health file with one channel that moved, one that is learning, and a
// pair that disagrees.
func sound(cut uint64) *File {
	number := func(v float64) *float64 { return &v }
	return &File{
		Version: Version, Test: "bracket", Group: "main", Cut: cut, UpTo: "2026-05-06T21:59:59Z", Commit: "c0ffee", Declared: "0123456789abcdef",
		Program: "0", Architecture: "amd64",
		Channels: []Channel{
			{Channel: "web", Source: "node", Says: "moisture", Certainty: "likely", Since: "2026-05-05T04:00:00Z", Moved: number(-31e-6), Slope: number(0), Noise: number(2e-7),
				From: "2026-05-04T01:00:00Z", To: "2026-05-06T21:59:00Z", Minutes: 4140, Samples: 12600, LeftOut: 559, Cycles: 1337.5, LoadCycles: 62.5, Largest: 309e-6, Damage: number(1e-4),
				Ranked:   []Cause{{Cause: "moisture", Certainty: "likely", Weight: 0.97, For: []string{"+3.0 it follows humidity"}, Against: []string{}, Decide: "read the insulation"}},
				RuledOut: []RuledOut{{Cause: "structure", Who: "M. Arkle", Why: "penetrant showed nothing"}},
				Shunts:   []Note{{Time: "2026-05-05T12:00:00Z", Value: -2e-4}}, Insulation: []Note{{Time: "2026-05-05T13:00:00Z", Value: 2e7}}},
			{Channel: "near", Source: "node", Says: Learning, Ranked: []Cause{}},
		},
		Residuals: []Residual{{Name: "web-pair", Form: "redundant", Terms: []Term{{"web", 1}, {"near", -1}}, Minutes: 4000, Mean: number(1e-5), SD: number(2e-6),
			Newest: number(3e-5), Limit: number(2e-5), Beyond: "2026-05-06T10:00:00Z", To: "2026-05-06T21:00:00Z"}},
	}
}

// The form of a health file is a promise to programs: what is written is read, and
// another form has another version.
func TestGolden(t *testing.T) {
	f := sound(12)
	f.State = Stored{1234, "5747e"}
	text, err := f.encode()
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join("testdata", "main.00000012.health.json")
	if *update {
		if err := os.WriteFile(path, text, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(text, want) {
		t.Errorf("it is written\n%s", text)
	}
	if _, err := Decode(want); err != nil {
		t.Error(err)
	}
}

// A file is read as long as its commit record and its state are its own; the newest
// two states are kept, and writing the same again changes nothing.
func TestWrite(t *testing.T) {
	dir := t.TempDir()
	record := func(cut uint64, text string) {
		t.Helper()
		if err := os.WriteFile(filepath.Join(dir, segment.CommitRecord{Group: "main", Cut: cut}.Name()), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	put := func(cut uint64, state string) error {
		t.Helper()
		record(cut, "a record")
		f := sound(cut)
		var err error
		if f.Commit, err = CommitHash(dir, "main", cut); err != nil {
			t.Fatal(err)
		}
		_, err = Write(dir, f, []byte(state))
		return err
	}
	for cut := range uint64(4) {
		for range 2 {
			if err := put(cut, "a state"); err != nil {
				t.Fatal(err)
			}
		}
	}
	if err := put(3, "another state"); !errors.Is(err, segment.ErrConflict) {
		t.Errorf("other bytes of the same step: %v", err)
	}
	f, _, state, skipped, err := Newest(dir, "main")
	if err != nil || f == nil || f.Cut != 3 || string(state) != "a state" || len(skipped) != 0 {
		t.Errorf("%+v %q %v %v", f, state, skipped, err)
	}
	states, err := filepath.Glob(filepath.Join(dir, "*"+stateSuffix))
	if err != nil || !slices.Equal(states, []string{filepath.Join(dir, StateName("main", 2)), filepath.Join(dir, StateName("main", 3))}) {
		t.Errorf("states %v %v", states, err)
	}
	record(3, "another record")
	if f, _, _, skipped, err = Newest(dir, "main"); err != nil || f == nil || f.Cut != 2 || len(skipped) != 1 || !errors.Is(skipped[0], ErrDamaged) {
		t.Errorf("with another commit record: %+v %v %v", f, skipped, err)
	}
}

// No single bit of a file can be another without being noticed.
func TestFlippedBits(t *testing.T) {
	text, err := sound(3).encode()
	if err != nil {
		t.Fatal(err)
	}
	for i := range text {
		other := bytes.Clone(text)
		other[i] ^= 1 << (i % 8)
		if _, err := Decode(other); !errors.Is(err, ErrDamaged) {
			t.Errorf("byte %d, %q: %v", i, text[max(0, i-20):min(len(text), i+20)], err)
		}
	}
}

// Whatever the bytes, a file is what was written or ErrDamaged; so is a state.
func FuzzDecode(f *testing.F) {
	text, err := sound(3).encode()
	if err != nil {
		f.Fatal(err)
	}
	f.Add(text)
	f.Add(text[:len(text)/2])
	f.Add([]byte(`{"version":1}`))
	f.Add([]byte("\x1f\x8b\x08\x00\x00\x00\x00\x00\x04\xff\x00"))
	f.Fuzz(func(t *testing.T, text []byte) {
		file, err := Decode(text)
		switch {
		case err != nil && !errors.Is(err, ErrDamaged):
			t.Errorf("%v", err)
		case err == nil:
			if again, err := file.encode(); err != nil || !bytes.Equal(again, text) {
				t.Errorf("it is written as %s (%v)", again, err)
			}
		}
		if _, err := unpack(text); err != nil && !errors.Is(err, ErrDamaged) {
			t.Errorf("state: %v", err)
		}
	})
}

func TestNames(t *testing.T) {
	for name, want := range map[string]bool{
		"main.00000012.health.json": true, "main.00000012.health.state.gz": true, "a.b.123456789.health.json": true,
		"main.12.health.json": false, ".00000012.health.json": false, "main.0000001x.health.json": false, "main.00000012.commit.json": false,
	} {
		group, cut, _, ok := Of(name)
		if ok != want || ok && Name(group, cut) != name && StateName(group, cut) != name {
			t.Errorf("%s: %q %d %v", name, group, cut, ok)
		}
	}
}
