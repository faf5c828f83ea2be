package testfile_test

import (
	"errors"
	"fmt"
	"strings"
	"testing"

	"go.yaml.in/yaml/v3"

	"glueline/pipeline/testfile"
)

// A gauge factor was typed wrong from the first day; in the third week a lead was
// made longer. The test file of the first weeks gets the factor and keeps its lead.
func ExampleChange() {
	first := "lots: {A: {gauge-factor: 2.08}} # from the package\nchannels: {web: {leads: {length: 12 m}}}\n"
	third := "lots: {A: {gauge-factor: 2.08}}\nchannels: {web: {leads: {length: 30 m}}}\n"
	right := "lots: {A: {gauge-factor: 2.11}}\nchannels: {web: {leads: {length: 30 m}}}\n"
	text, err := testfile.Change([]byte(third), []byte(right), []byte(first))
	fmt.Print(string(text), err)
	// Output:
	// lots: {A: {gauge-factor: 2.11}} # from the package
	// channels: {web: {leads: {length: 12 m}}}
	// <nil>
}

func TestChange(t *testing.T) {
	for _, c := range []struct{ name, before, after, to, want string }{
		{"the same text", "a: 1\n", "a: 2 # so\n", "a: 1\n", "a: 2 # so\n"},
		{"nothing", "a: 1\n", "a: 1 # said\n", "a: 3\n", "a: 3\n"},
		{"added", "a: {x: 1}\n", "a: {x: 1, y: 2}\n", "a: {x: 5}\n", "a: {x: 5, y: 2}\n"},
		{"removed", "a: {x: 1, y: 2}\n", "a: {x: 1}\n", "a: {x: 5, y: 2, z: 3}\n", "a: {x: 5, z: 3}\n"},
		{"removed where it is not", "a: {x: 1, y: 2}\n", "a: {x: 1}\n", "a: {x: 5}\n", "a: {x: 5}\n"},
		{"there already", "a: {x: 1}\n", "a: {x: 2}\n", "a: {x: 2, y: 1}\n", "a: {x: 2, y: 1}\n"},
		{"a list is one value", "w: [1, 2]\nb: 1\n", "w: [2, 1]\nb: 1\n", "w: [1, 2]\nb: 7\n", "w: [2, 1]\nb: 7\n"},
		{"order does not count", "a: {x: 1, y: 2}\n", "a: {y: 2, x: 3}\n", "a: {y: 4, x: 1}\n", "a: {y: 4, x: 3}\n"},
	} {
		got, err := testfile.Change([]byte(c.before), []byte(c.after), []byte(c.to))
		if err != nil || string(got) != c.want {
			t.Errorf("%s: %q %v, want %q", c.name, got, err, c.want)
		}
	}
	_, err := testfile.Change([]byte("a: {x: 1}\n"), []byte("a: {x: 2}\n"), []byte("a: {x: 3}\n"))
	if !errors.Is(err, testfile.ErrChange) || !strings.HasSuffix(err.Error(), `the change makes a.x "2" where it was "1", but there it is "3"`) {
		t.Errorf("%v", err)
	}
}

func FuzzChange(f *testing.F) {
	f.Add("a: {x: 1}\n", "a: {x: 2}\n", "a: {x: 1, y: 2}\n")
	f.Add("w: [1, &a 2]\n", "w: *a\n", "{}")
	f.Fuzz(func(t *testing.T, before, after, to string) {
		got, err := testfile.Change([]byte(before), []byte(after), []byte(to))
		if err == nil && before != to && yaml.Unmarshal(got, new(yaml.Node)) != nil {
			t.Errorf("%q is no YAML", got)
		}
	})
}
