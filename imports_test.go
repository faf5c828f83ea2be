package glueline_test

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os/exec"
	"slices"
	"strings"
	"testing"
)

// imported is a package as go list tells of it, without its tests: those may
// look where they like.
type imported struct {
	ImportPath string
	Imports    []string
	CgoFiles   []string
	Standard   bool
}

const (
	ours  = "glueline/"
	arrow = "github.com/apache/arrow-go/v18/arrow"
	gonum = "gonum.org/v1/gonum/"
)

// The only packages that touch Arrow: the format of a file is one idea.
var arrowReadersAndWriters = []string{"glueline/pipeline/frame/arrowipc"}

// Its other packages bring compute kernels, network clients and megabytes.
var arrowAllowed = []string{arrow, arrow + "/array", arrow + "/ipc", arrow + "/memory"}

// What a sink may know of the pipeline: the interface that it meets, the records
// that it is handed and the Arrow files that it makes; never the journal, never
// a channel's physics.
var sinksMayImport = []string{
	"glueline/pipeline/alarm", // what is decided from records
	"glueline/pipeline/event",
	"glueline/pipeline/flag",
	"glueline/pipeline/frame",
	"glueline/pipeline/frame/arrowipc",
	"glueline/pipeline/group",
	"glueline/pipeline/worker",
}

// The simulator is the other opinion on every number, so that it must not come
// from the code that it checks, however far away.
var simulatorMustNotReach = []string{
	"glueline/compensate",
	"glueline/pipeline/channel",
	"glueline/pipeline/group",
	"glueline/reduce",
}

// forbidden lists every import that goes against the direction
// cmd, sinks, pipeline, then reduce and compensate, one sentence each.
func forbidden(packages []imported) []string {
	known := map[string]imported{}
	for _, p := range packages {
		known[p.ImportPath] = p
	}
	var broken []string
	say := func(p imported, format string, values ...any) {
		broken = append(broken, p.ImportPath+" "+fmt.Sprintf(format, values...))
	}
	for _, p := range packages {
		if p.Standard {
			continue
		}
		if len(p.CgoFiles) > 0 {
			say(p, "needs cgo (%s)", strings.Join(p.CgoFiles, " "))
		}
		if !strings.HasPrefix(p.ImportPath, ours) {
			continue
		}
		for _, path := range p.Imports {
			switch {
			case within(path, "glueline/cmd"):
				say(p, "imports %s: nothing imports a command", path)
			case within(path, "glueline/sinks") && !within(p.ImportPath, "glueline/sinks", "glueline/cmd"):
				say(p, "imports the sink %s", path)
			case within(path, arrow) && !slices.Contains(arrowReadersAndWriters, p.ImportPath):
				say(p, "imports %s, which belongs in %s", path, strings.Join(arrowReadersAndWriters, ", "))
			case within(path, arrow) && !slices.Contains(arrowAllowed, path):
				say(p, "imports %s; of Arrow only %s", path, strings.Join(arrowAllowed, ", "))
			}
			switch {
			case within(p.ImportPath, "glueline/reduce", "glueline/compensate"):
				if !known[path].Standard && !strings.HasPrefix(path, gonum) {
					say(p, "imports %s; it may use the standard library and gonum, nothing else", path)
				}
			case within(p.ImportPath, "glueline/sinks"):
				if strings.HasPrefix(path, ours) && !within(path, "glueline/sinks") && !slices.Contains(sinksMayImport, path) {
					say(p, "imports %s; of ours a sink may know %s", path, strings.Join(sinksMayImport, ", "))
				}
			}
		}
		if within(p.ImportPath, "glueline/pipeline/simulate") {
			for _, path := range reached(p, known) {
				if within(path, simulatorMustNotReach...) {
					say(p, "reaches %s, which it is there to check", path)
				}
			}
		}
	}
	slices.Sort(broken)
	return broken
}

// within says whether path is one of the folders or inside one.
func within(path string, folders ...string) bool {
	return slices.ContainsFunc(folders, func(folder string) bool {
		return path == folder || strings.HasPrefix(path, folder+"/")
	})
}

// reached lists every package that p imports, directly or through others.
func reached(p imported, known map[string]imported) []string {
	var all []string
	seen := map[string]bool{}
	todo := slices.Clone(p.Imports)
	for len(todo) > 0 {
		path := todo[len(todo)-1]
		todo = todo[:len(todo)-1]
		if seen[path] {
			continue
		}
		seen[path] = true
		all = append(all, path)
		todo = append(todo, known[path].Imports...)
	}
	return all
}

func TestImportsPointOneWay(t *testing.T) {
	packages := listPackages(t)
	var own int
	for _, p := range packages {
		if strings.HasPrefix(p.ImportPath, ours) {
			own++
		}
	}
	if own < 5 {
		t.Fatalf("only %d packages of ours in the list: the check looks at the wrong thing", own)
	}
	for _, sentence := range forbidden(packages) {
		t.Error(sentence)
	}
}

// listPackages asks the go command for our packages and all that they import,
// as if cgo were at hand, so that a package that would use it shows.
func listPackages(t *testing.T) []imported {
	t.Helper()
	command := exec.Command("go", "list", "-deps", "-json=ImportPath,Imports,CgoFiles,Standard", "./...")
	command.Env = append(command.Environ(), "CGO_ENABLED=1")
	var said strings.Builder
	command.Stderr = &said
	text, err := command.Output()
	if err != nil {
		t.Fatalf("go list: %v\n%s", err, said.String())
	}
	var packages []imported
	for decoder := json.NewDecoder(strings.NewReader(string(text))); ; {
		var p imported
		if err := decoder.Decode(&p); errors.Is(err, io.EOF) {
			return packages
		} else if err != nil {
			t.Fatal(err)
		}
		packages = append(packages, p)
	}
}

// A guard that cannot bark is none: each rule meets an import that breaks it.
func TestForbiddenFindsEveryKind(t *testing.T) {
	const deep = arrow + "/compute"
	clean := []imported{
		{ImportPath: "math", Standard: true},
		{ImportPath: gonum + "mat"},
		{ImportPath: arrow + "/ipc"},
		{ImportPath: deep},
		{ImportPath: "glueline/reduce", Imports: []string{"math", gonum + "mat"}},
		{ImportPath: "glueline/compensate", Imports: []string{"math"}},
		{ImportPath: "glueline/pipeline/frame/arrowipc", Imports: []string{arrow + "/ipc"}},
		{ImportPath: "glueline/pipeline/channel", Imports: []string{"glueline/reduce", "glueline/compensate"}},
		{ImportPath: "glueline/pipeline/group", Imports: []string{"glueline/pipeline/channel"}},
		{ImportPath: "glueline/sinks/segment", Imports: []string{"glueline/pipeline/group", "glueline/pipeline/frame/arrowipc"}},
		{ImportPath: "glueline/cmd/glueline", Imports: []string{"glueline/sinks/segment", "glueline/pipeline/group"}},
	}
	if broken := forbidden(clean); len(broken) > 0 {
		t.Fatalf("found in a clean tree: %q", broken)
	}
	tests := []struct {
		name  string
		plant imported
		want  string
	}{
		{"reduce imports compensate", imported{ImportPath: "glueline/reduce", Imports: []string{"glueline/compensate"}}, "standard library and gonum"},
		{"compensate imports reduce", imported{ImportPath: "glueline/compensate", Imports: []string{"glueline/reduce"}}, "standard library and gonum"},
		{"reduce imports a library", imported{ImportPath: "glueline/reduce", Imports: []string{"example.org/fast"}}, "standard library and gonum"},
		{"reduce imports Arrow", imported{ImportPath: "glueline/reduce", Imports: []string{arrow + "/ipc"}}, "belongs in"},
		{"Arrow in a sink", imported{ImportPath: "glueline/sinks/live", Imports: []string{arrow + "/ipc"}}, "belongs in"},
		{"too much of Arrow", imported{ImportPath: "glueline/pipeline/frame/arrowipc", Imports: []string{deep}}, "of Arrow only"},
		{"a sink knows the physics", imported{ImportPath: "glueline/sinks/live", Imports: []string{"glueline/reduce"}}, "a sink may know"},
		{"a sink knows a channel", imported{ImportPath: "glueline/sinks/live", Imports: []string{"glueline/pipeline/channel"}}, "a sink may know"},
		{"the pipeline knows a sink", imported{ImportPath: "glueline/pipeline/worker", Imports: []string{"glueline/sinks/segment"}}, "imports the sink"},
		{"a command is imported", imported{ImportPath: "glueline/sinks/live", Imports: []string{"glueline/cmd/glueline"}}, "nothing imports a command"},
		{"the simulator reduces", imported{ImportPath: "glueline/pipeline/simulate", Imports: []string{"glueline/reduce"}}, "there to check"},
		{"the simulator reduces through another", imported{ImportPath: "glueline/pipeline/simulate", Imports: []string{"glueline/pipeline/group"}}, "reaches glueline/reduce"},
		{"cgo", imported{ImportPath: "example.org/fast", CgoFiles: []string{"fast.go"}}, "needs cgo"},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			broken := forbidden(append(slices.Clone(clean), test.plant))
			if !slices.ContainsFunc(broken, func(s string) bool { return strings.Contains(s, test.want) }) {
				t.Errorf("not found, only %q", broken)
			}
		})
	}
}
