// Command verdict reads what go test -json says, shows the packages and the
// failures, and ends with a line "N passed, N failed, N skipped". Its status is
// 1 unless at least one test ran, all passed and none was skipped.
package main

import (
	"bufio"
	"encoding/json"
	"fmt"
	"io"
	"maps"
	"os"
	"slices"
	"strings"
)

func main() {
	os.Exit(judge(os.Stdin, os.Stdout))
}

// event is a line of go test -json; the fields are those of go doc test2json.
type event struct {
	Action, Package, Test, Output string
}

// judge copies the telling part of in to out and returns the exit status.
func judge(in io.Reader, out io.Writer) int {
	var passed, failed int
	var skipped []string
	said := map[string]*strings.Builder{} // output of a test that is not over yet
	failures := map[string]int{}          // failed tests of a package

	lines := bufio.NewReader(in)
	for {
		line, err := lines.ReadString('\n')
		if line == "" && err != nil {
			break
		}
		var e event
		if json.Unmarshal([]byte(line), &e) != nil {
			fmt.Fprint(out, line) // the go command itself, in plain words
			continue
		}
		name := e.Package + "." + e.Test
		switch {
		case e.Action == "build-output":
			fmt.Fprint(out, e.Output)
		case e.Action == "output" && e.Test == "":
			if e.Output != "PASS\n" && !strings.HasPrefix(e.Output, "?") {
				fmt.Fprint(out, e.Output)
			}
		case e.Action == "output":
			if said[name] == nil {
				said[name] = new(strings.Builder)
			}
			said[name].WriteString(e.Output)
		case e.Test == "":
			// A package fails without a failed test when it does not build or
			// does not come to an end; what its open tests said tells why. "skip"
			// here only means: no test files.
			if e.Action == "fail" && failures[e.Package] == 0 {
				failed++
				for _, open := range slices.Sorted(maps.Keys(said)) {
					if strings.HasPrefix(open, e.Package+".") {
						fmt.Fprint(out, said[open].String())
						delete(said, open)
					}
				}
			}
		case e.Action == "pass":
			passed++
			delete(said, name)
		case e.Action == "fail", e.Action == "skip":
			if e.Action == "fail" {
				failed++
				failures[e.Package]++
			} else {
				skipped = append(skipped, name)
			}
			if said[name] != nil {
				fmt.Fprint(out, said[name].String())
				delete(said, name)
			}
		}
	}

	for _, name := range skipped {
		fmt.Fprintf(out, "skipped, which counts as a failure here: %s\n", name)
	}
	fmt.Fprintf(out, "%d passed, %d failed, %d skipped\n", passed, failed, len(skipped))
	if passed == 0 || failed > 0 || len(skipped) > 0 {
		return 1
	}
	return 0
}
