package expect

import (
	"errors"
	"os"
	"testing"

	"glueline/pipeline/testfile"
)

// Whatever test file is accepted can be reported on, without a panic, and has
// every channel in the report; only constants that are no bridge are refused.
func FuzzOf(f *testing.F) {
	f.Add([]byte(bench))
	for _, name := range []string{"../../testdata/testfile/good.yaml", "../simulate/hollin.yaml"} {
		text, err := os.ReadFile(name)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		file, err := testfile.Parse("fuzz.yaml", text, func(string) ([]byte, error) { return nil, errors.ErrUnsupported })
		if err != nil {
			return
		}
		r, err := Of(file, today)
		if err != nil {
			if err.Error() == "" || r != nil {
				t.Errorf("%v with a report %v", err, r)
			}
			return
		}
		reported := map[string]bool{}
		for _, c := range r.Channels {
			reported[c.Wire.Position.Text] = true
		}
		for _, w := range file.Wiring {
			for i := range file.Channels.Entries {
				e := &file.Channels.Entries[i]
				if e.Value.Position.Or(e.Name) == w.Position.Text && !reported[w.Position.Text] {
					t.Errorf("channel %s is not reported", e.Name)
				}
			}
		}
	})
}
