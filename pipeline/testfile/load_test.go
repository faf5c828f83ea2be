package testfile

import (
	"bytes"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"
)

const goodFile = "../../testdata/testfile/good.yaml"

func good(t *testing.T) *Test {
	t.Helper()
	test, err := Load(goodFile)
	if err != nil {
		t.Fatal(err)
	}
	return test
}

func TestGoodFile(t *testing.T) {
	test := good(t)
	lot, ok := test.Lots.Get("A23")
	if !ok {
		t.Fatal("no lot A23")
	}
	r := lot.Resistance
	if r.Value != 350 || r.Tolerance != 0.003*350 || r.Unit != "ohm" || r.Text != "350 ohm ± 0.3 %" {
		t.Errorf("resistance = %+v", r)
	}
	if !lot.ThermalOutput.Given || len(lot.ThermalOutput.Coefficients) != 5 || lot.ThermalOutput.Coefficients[2].Value != -6.55e-2 {
		t.Errorf("thermal output = %+v", lot.ThermalOutput)
	}
	i, _ := test.Installations.Get("bench")
	// 20 April is in summer time: 08:30 in London is 07:30 UTC.
	if want := time.Date(2026, 4, 20, 7, 30, 0, 0, time.UTC); !i.Bonded.Equal(want) {
		t.Errorf("bonded %v, want %v", i.Bonded, want)
	}
	ra, _ := test.Channels.Get("ra")
	if ra.Transverse.Text != "none" {
		t.Errorf("grid of a rosette has transverse mode %q", ra.Transverse.Text)
	}
	if bush, _ := test.Channels.Get("bush"); bush.Transverse.Text != "" || bush.Shunt.Given || bush.Zero.Given {
		t.Errorf("bush has what nobody wrote: %+v", bush)
	}
	if w := test.Wiring[1]; w.Mark.Line != 168 || w.Leads.Size.Unit != "m2" || !w.From.Equal(test.Wiring[0].To.Time) {
		t.Errorf("second wire = %+v", w)
	}
	if test.Dir != filepath.Dir(goodFile) {
		t.Errorf("Dir = %q", test.Dir)
	}
}

// Names stay as they are written, whatever YAML would make of them.
func TestWordsKeepTheirText(t *testing.T) {
	test, err := Parse("t.yaml", []byte(`
test: {name: 010, article: 3.50, note: yes}
sources:
  1e3: {rate: 10 Hz}
  on: {rate: 10 Hz}
`), nil)
	if err != nil {
		t.Fatal(err)
	}
	got := append([]string{test.About.Name.Text, test.About.Article.Text, test.About.Note.Text}, test.Sources.Names()...)
	if want := []string{"010", "3.50", "yes", "1e3", "on"}; !slices.Equal(got, want) {
		t.Errorf("got %q, want %q", got, want)
	}
}

var wantLine = regexp.MustCompile(`(?m)^# want (\d+:\d+: .*)$`)

// Each file under bad/ says at its top which problems it has.
func TestBadFiles(t *testing.T) {
	files, err := filepath.Glob("../../testdata/testfile/bad/*.yaml")
	if err != nil || len(files) == 0 {
		t.Fatal("no bad files", err)
	}
	for _, file := range files {
		t.Run(filepath.Base(file), func(t *testing.T) {
			text, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			var want []string
			for _, m := range wantLine.FindAllSubmatch(text, -1) {
				want = append(want, file+":"+string(m[1]))
			}
			_, err = Load(file)
			var problems Problems
			if !errors.As(err, &problems) {
				t.Fatalf("error is %v, not Problems", err)
			}
			if got := strings.Split(problems.Error(), "\n"); !slices.Equal(got, want) {
				t.Errorf("got\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
			}
		})
	}
}

// Files that cannot be written as readable samples.
func TestNoText(t *testing.T) {
	many := make([]byte, maxBytes+1)
	for i := range many {
		many[i] = '\n'
	}
	for _, c := range []struct{ name, text, want string }{
		{"empty", "", `t.yaml:1:1: found an empty file; write a test file, beginning with "test:"`},
		{"only a comment", "# later\n", `t.yaml:1:1: found an empty file; write a test file, beginning with "test:"`},
		{"UTF-16 little end first", "\xff\xfet\x00", "t.yaml:1:1: found a file in UTF-16; write it in UTF-8"},
		{"UTF-16 big end first", "\xfe\xff\x00t", "t.yaml:1:1: found a file in UTF-16; write it in UTF-8"},
		{"Latin-1", "test:\n  name: é\xe9\n", "t.yaml:2:10: found bytes that are not UTF-8; write the file in UTF-8"},
		{"zero byte", "test:\n  name: \x00\n", "t.yaml:2:9: found a zero byte; write text; this is not a text file"},
		{"control character", "test:\n  name: a\x07\n", `t.yaml:2:10: found text that is not YAML (control characters are not allowed); write plain YAML: "key: value", indented by blanks`},
		{"too large", string(many), "t.yaml:1:1: found 4194305 bytes; write at most 4 MiB"},
	} {
		_, err := Parse("t.yaml", []byte(c.text), nil)
		if err == nil || err.Error() != c.want {
			t.Errorf("%s: got %v\nwant %s", c.name, err, c.want)
		}
	}
}

// A byte order mark and line ends of other systems change neither the result
// nor the places.
func TestByteOrderMarkAndLineEnds(t *testing.T) {
	text, err := os.ReadFile(goodFile)
	if err != nil {
		t.Fatal(err)
	}
	other := append([]byte("\ufeff"), bytes.ReplaceAll(text, []byte("\n"), []byte("\r\n"))...)
	if _, err := Parse("t.yaml", other, nil); err != nil {
		t.Error(err)
	}
	bad := bytes.Replace(other, []byte("bridge: quarter_2wire"), []byte("bridge: quarter_4wire"), 1)
	_, err = Parse("t.yaml", bad, nil)
	line := bytes.Count(text[:bytes.Index(text, []byte("bridge: quarter_2wire"))], []byte("\n")) + 1
	var problems Problems
	if !errors.As(err, &problems) || len(problems) != 1 || problems[0].Mark != (Mark{"t.yaml", line, 13}) {
		t.Errorf("got %v, want one problem at %d:13", err, line)
	}
}

func TestNoFile(t *testing.T) {
	if _, err := Load(t.TempDir()); !errors.Is(err, ErrDirectory) {
		t.Errorf("a directory gives %v", err)
	}
	if _, err := Load(filepath.Join(t.TempDir(), "none.yaml")); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("no file gives %v", err)
	}
	large := filepath.Join(t.TempDir(), "large.yaml")
	if err := os.WriteFile(large, make([]byte, maxBytes+1), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := Load(large); !errors.Is(err, ErrTooLarge) {
		t.Errorf("a large file gives %v", err)
	}
}

func TestOrderOfProblems(t *testing.T) {
	p := Problems{
		{Mark: Mark{"b", 1, 1}}, {Mark: Mark{"a", 2, 1}}, {Mark: Mark{"a", 1, 9}}, {Mark: Mark{"a", 1, 2}},
	}
	p.sort()
	var got []string
	for _, q := range p {
		got = append(got, q.Mark.String())
	}
	if want := []string{"a:1:2", "a:1:9", "a:2:1", "b:1:1"}; !slices.Equal(got, want) {
		t.Errorf("got %v", got)
	}
}

func FuzzParse(f *testing.F) {
	text, err := os.ReadFile(goodFile)
	if err != nil {
		f.Fatal(err)
	}
	f.Add(text)
	files, _ := filepath.Glob("../../testdata/testfile/bad/*.yaml")
	for _, file := range files {
		if text, err := os.ReadFile(file); err == nil {
			f.Add(text)
		}
	}
	f.Add([]byte("test: {name: a}\nsources: {n: {rate: 1e-999 Hz}}\nchannel-list: a.csv\n"))
	f.Fuzz(func(t *testing.T, text []byte) {
		read := func(string) ([]byte, error) { return []byte("name,bridge,input\na,quarter_2wire,n/1\n"), nil }
		test, err := Parse("f.yaml", text, read)
		var problems Problems
		if (test == nil) != errors.As(err, &problems) {
			t.Fatalf("test %v, error %v", test != nil, err)
		}
		lines := 1
		for _, end := range []string{"\n", "\r", "\u0085", "\u2028", "\u2029"} { // what YAML takes for the end of a line
			lines += bytes.Count(text, []byte(end))
		}
		for _, p := range problems {
			if p.Mark.Line < 1 || p.Mark.Column < 1 || p.Found == "" || p.Want == "" || p.Mark.File == "f.yaml" && p.Mark.Line > lines {
				t.Fatalf("problem without a place or words: %+v", p)
			}
		}
		if test != nil {
			for _, g := range test.Gauges.Names() {
				test.Envelope(g)
			}
		}
	})
}
