package glueline_test

import (
	"bytes"
	"fmt"
	"os"
	"os/exec"
	"regexp"
	"slices"
	"strings"
	"testing"
	"unicode/utf8"
)

// unwanted are words that would tie the repository to one machine or to the
// way a piece of it came about. They are spelled in two halves, so that this
// file does not find itself.
var unwanted = []struct {
	what    string
	pattern *regexp.Regexp
}{
	{"a path of one machine", regexp.MustCompile(`(^|[^\w./-])/(wo` + `rk|ro` + `ot|ho` + `me)/`)},
	{"a folder outside the repository", regexp.MustCompile(`(\.\./)+sha` + `red\b`)},
	{"the host of a package registry", regexp.MustCompile(`(?i)\b(registry\.np` + `mjs\.org|proxy\.gol` + `ang\.org|sum\.gol` + `ang\.org|deb\.deb` + `ian\.org)`)},
	{"a word about how the text came about", regexp.MustCompile(`(?i)\btran` + `scripts?\b|\bseed\s+doc` + `uments?\b`)},
}

// blemishes lists what is unwanted in one file, each with its line.
func blemishes(name string, text []byte) []string {
	var found []string
	for number, line := range strings.Split(string(text), "\n") {
		for _, u := range unwanted {
			if match := u.pattern.FindString(line); match != "" {
				found = append(found, fmt.Sprintf("%s:%d: %s: %q", name, number+1, u.what, match))
			}
		}
	}
	return found
}

func TestTrackedFilesFitAnyMachine(t *testing.T) {
	// A clone may belong to another user than the one who tests it.
	list, err := exec.Command("git", "-c", "safe.directory=*", "ls-files", "-z").Output()
	if err != nil {
		t.Fatalf("git ls-files: %v: the test needs git and a clone", err)
	}
	names := strings.Split(strings.TrimRight(string(list), "\x00"), "\x00")
	var read int
	for _, name := range names {
		text, err := os.ReadFile(name)
		if os.IsNotExist(err) {
			continue // deleted, the deletion not yet committed
		}
		if err != nil {
			t.Error(err)
			continue
		}
		if bytes.IndexByte(text, 0) >= 0 || !utf8.Valid(text) {
			continue // not text
		}
		read++
		for _, sentence := range blemishes(name, text) {
			t.Error(sentence)
		}
	}
	if read < 20 {
		t.Fatalf("only %d text files read: the check looks at the wrong thing", read)
	}
}

func TestBlemishesFindsEveryKind(t *testing.T) {
	for _, line := range []string{
		"cd /wo" + "rk/main", `open("/ro` + `ot/x")`, "see /ho" + "me/someone/notes",
		"read ../sha" + "red/cases.json", "GOPROXY=https://proxy.gol" + "ang.org",
		`"resolved": "https://registry.np` + `mjs.org/a"`, "from the Tran" + "script", "the seed doc" + "ument",
	} {
		if len(blemishes("planted", []byte("good line\n"+line))) != 1 {
			t.Errorf("not found: %q", line)
		}
	}
	for _, line := range []string{"testdata/work/x.csv", "the frame at ./root/of it", "transcribed", "https://example.org/home/"} {
		if found := blemishes("clean", []byte(line)); len(found) > 0 {
			t.Errorf("found %q", found)
		}
	}
}

// direct lists the modules that go.mod requires for our own sake.
func direct(mod string) []string {
	var modules []string
	for _, line := range strings.Split(mod, "\n") {
		words := strings.Fields(strings.TrimPrefix(strings.TrimSpace(line), "require "))
		if len(words) == 2 && strings.HasPrefix(words[1], "v") {
			modules = append(modules, words[0])
		}
	}
	return modules
}

// unexplained lists the modules that no line of the document names.
func unexplained(modules []string, document string) []string {
	return slices.DeleteFunc(slices.Clone(modules), func(module string) bool {
		return regexp.MustCompile(regexp.QuoteMeta(module) + `([^\w/-]|$)`).MatchString(document)
	})
}

func TestGoModule(t *testing.T) {
	text, err := os.ReadFile("go.mod")
	if err != nil {
		t.Fatal(err)
	}
	mod := string(text)
	if !regexp.MustCompile(`(?m)^module glueline$`).MatchString(mod) {
		t.Error("go.mod: the module is not glueline")
	}
	if !regexp.MustCompile(`(?m)^go 1\.26(\.\d+)?$`).MatchString(mod) {
		t.Error("go.mod: the go line is not of 1.26, for which the results are stated")
	}
	if found := regexp.MustCompile(`(?m)^\s*(replace|exclude|toolchain|godebug)\b.*`).FindString(mod); found != "" {
		t.Errorf("go.mod: %q would build here what others do not get", strings.TrimSpace(found))
	}
}

// Every dependency has its reason in the document for developers.
func TestDependenciesAreExplained(t *testing.T) {
	mod, err := os.ReadFile("go.mod")
	if err != nil {
		t.Fatal(err)
	}
	document, err := os.ReadFile("DEVELOPERS.md")
	if err != nil {
		t.Fatal(err)
	}
	modules := direct(string(mod))
	if len(modules) == 0 {
		t.Fatal("go.mod names no direct dependency: run go mod tidy")
	}
	for _, module := range unexplained(modules, string(document)) {
		t.Errorf("DEVELOPERS.md does not say why %s is used", module)
	}
}

func TestDirectAndUnexplained(t *testing.T) {
	mod := "module m\n\ngo 1.26\n\nrequire example.org/a v1.0.0\n\nrequire (\n\texample.org/b/v2 v2.1.0\n\texample.org/c v0.1.0 // indirect\n)\n"
	modules := direct(mod)
	if want := []string{"example.org/a", "example.org/b/v2"}; !slices.Equal(modules, want) {
		t.Fatalf("direct: %q, want %q", modules, want)
	}
	got := unexplained(modules, "`example.org/a/sub` is not it; `example.org/b/v2`: reads")
	if want := []string{"example.org/a"}; !slices.Equal(got, want) {
		t.Errorf("unexplained: %q, want %q", got, want)
	}
}
