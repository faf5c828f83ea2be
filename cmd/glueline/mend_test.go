package main

import (
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"glueline/pipeline/group"
)

// What verify says to do about a damage is done, word for word, for a revision
// whose place another has taken and for the one that holds: then all is as it was.
// The same constants again are made only when asked for.
func TestDamagedRevisionsAreMadeAgain(t *testing.T) {
	out := filepath.Join(t.TempDir(), "demo")
	if status, _, errs := glueline(t.Context(), "demo", "--out", out, "--duration", "40m", "--quiet"); status != 0 {
		t.Fatal(errs)
	}
	data, test := filepath.Join(out, "results"), filepath.Join(out, "raw", "hollin.yaml")
	other := otherLot(t, test, "linear", "2.01")
	says := func(want int, text string, args ...string) string {
		t.Helper()
		status, said, errs := glueline(t.Context(), args...)
		if status != want || !strings.Contains(said+errs, text) {
			t.Fatalf("%q: status %d, want %d and %q\n%s%s", args, status, want, text, said, errs)
		}
		return said
	}
	change := func(test string) []string {
		return []string{"rereduce", data, "--calibration", test, "--who", "M. Arkle", "--why", "a trial", "--quiet"}
	}
	says(1, "r2 would be r1 once more", change(test)...)
	says(0, "no constant is another", append(change(test), "--preview")...)
	says(0, "Revision r2 holds", append(change(test), "--same")...)
	says(0, "Revision r3 holds", change(other)...)

	says(0, "there is nothing left to do", "rereduce", data, "--go-on", "r1")
	for _, revision := range []string{"r1", "r3"} {
		dir := filepath.Join(data, revision)
		before := map[string]string{}
		for _, e := range entries(t, dir) {
			before[e] = read(t, filepath.Join(dir, e))
		}
		files, err := filepath.Glob(filepath.Join(dir, "*.arrow"))
		if err != nil || len(files) < 3 {
			t.Fatal(files, err)
		}
		damaged := files[1]
		text := []byte(read(t, damaged))
		text[len(text)/2] ^= 1
		// The file may be another revision's too: it gets a damage of its own.
		if err := os.Remove(damaged); err != nil {
			t.Fatal(err)
		}
		write(t, dir, filepath.Base(damaged), string(text))
		report := says(1, "1 damage", "verify", data, "--revision", revision)
		record := regexp.MustCompile(`^(.+\.\d{8})\.`).FindStringSubmatch(filepath.Base(damaged))[1] + ".commit.json"
		if !strings.Contains(report, "remove the commit record of this cut from "+revision+"/") {
			t.Fatalf("%s", report)
		}
		if err := os.Remove(filepath.Join(dir, record)); err != nil {
			t.Fatal(err)
		}
		switch {
		case revision == "r1" && !strings.Contains(report, "glueline rereduce "+data+" --go-on r1"):
			t.Errorf("of an old revision it says\n%s", report)
		case revision == "r3" && !strings.Contains(report, "start serve"):
			t.Errorf("of the one that holds it says\n%s", report)
		}
		says(0, "1 cut that it lacked was made again", "rereduce", data, "--go-on", revision)
		says(0, "Everything is as it was written", "verify", data, "--revision", revision, "--recompute")
		for name, text := range before {
			if read(t, filepath.Join(dir, name)) != text {
				t.Errorf("%s/%s is another", revision, name)
			}
		}
	}
	if current, err := currentRevision(data); err != nil || current != "r3" {
		t.Errorf("%s holds: %v", current, err)
	}
}

// Where --channels names what may be another, a change of more is refused, and says
// of what.
func TestRereduceOfNamedChannels(t *testing.T) {
	out := filepath.Join(t.TempDir(), "demo")
	if status, _, errs := glueline(t.Context(), "demo", "--out", out, "--duration", "20m", "--quiet"); status != 0 {
		t.Fatal(errs)
	}
	data, test := filepath.Join(out, "results"), filepath.Join(out, "raw", "hollin.yaml")
	other := otherLot(t, test, "linear", "2.01")
	before, err := plansOf(test)
	if err != nil {
		t.Fatal(err)
	}
	after, err := plansOf(other)
	if err != nil {
		t.Fatal(err)
	}
	changed, err := group.Changed(before, after)
	channels := changed["channel"]
	if err != nil || len(channels) < 5 || len(changed) != 1 {
		t.Fatal(changed, err)
	}
	preview := func(channels []string) (status int, said string) {
		status, text, errs := glueline(t.Context(), "rereduce", data, "--calibration", other, "--preview", "--channels", strings.Join(channels, ","))
		return status, text + errs
	}
	if status, said := preview(channels); status != 0 || !strings.Contains(said, "gauge factor 2.08 -> 2.01") {
		t.Errorf("all of them: %d %s", status, said)
	}
	if status, said := preview(channels[1:]); status != 1 || !strings.Contains(said, "other constants for channel "+channels[0]+" too") {
		t.Errorf("without %s: %d %s", channels[0], status, said)
	}
}

func entries(t *testing.T, dir string) (names []string) {
	t.Helper()
	all, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range all {
		names = append(names, e.Name())
	}
	return names
}
