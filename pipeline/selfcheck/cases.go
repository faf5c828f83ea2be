package selfcheck

import (
	_ "embed"
	"errors"
	"fmt"
	"io"
	"strings"
)

// Case is one check: inputs, what has to come out of them, and who says so.
type Case struct {
	ID, Kind, What, Source, Status string
	File                           string // name given to Read
	Line                           int    // where it begins

	inputs, expected value
	relative         float64            // of numbers without a tolerance of their own; 0 for none
	omitted          map[string]float64 // change of the result if a correction is left out
	fault            error              // why it cannot be run
}

// The keys of a case. Those with false may be left out; they are notes for
// readers, and of these only error_if_omitted is used.
var caseKeys = map[string]bool{
	"id": true, "kind": true, "inputs": true, "expected": true, "source": true,
	"what": false, "status": false, "note": false,
	"published": false, "generator_truth": false, "error_if_omitted": false,
}

// Read reads a case file; name is only for messages. The error, which wraps
// ErrDocument, is about the file as a whole. What is wrong with a single case
// stays with it: Run will not run it.
func Read(name string, r io.Reader) ([]Case, error) {
	doc, err := parse(r)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	if doc.kind != isObject {
		return nil, fmt.Errorf("%s: %w: the document is %s, not an object with cases", name, ErrDocument, doc.kind)
	}
	head := newInputs("file", doc)
	for _, note := range []string{"units", "tolerance", "note"} {
		if head.has(note) {
			head.string(note)
		}
	}
	relative := 0.0
	if head.has("rel_tol") {
		relative = head.notNegative("rel_tol")
	}
	list, _ := head.take("cases")
	if list.kind != isList || len(list.items) == 0 {
		head.fault.add("file.cases holds no cases")
	}
	if err := head.err(); err != nil {
		return nil, fmt.Errorf("%s: %w: %w", name, ErrDocument, oneLine(err))
	}
	cases := make([]Case, len(list.items))
	times := map[string]int{}
	for i, item := range list.items {
		cases[i] = newCase(item)
		cases[i].File = name
		cases[i].relative = relative
		if cases[i].ID == "" {
			cases[i].ID = fmt.Sprintf("case %d", i+1)
		}
		times[cases[i].ID]++
	}
	for i := range cases {
		if n := times[cases[i].ID]; n > 1 {
			cases[i].fault = errors.Join(cases[i].fault, fmt.Errorf("id is used %d times", n))
		}
	}
	return cases, nil
}

func newCase(v value) Case {
	c := Case{Line: v.line}
	in := newInputs("case", v)
	if v.kind != isObject {
		c.fault = in.err()
		return c
	}
	for key, required := range caseKeys {
		in.used[key] = true
		if required && !in.has(key) {
			in.fault.add("case.%s is missing", key)
		}
	}
	for key, to := range map[string]*string{
		"id": &c.ID, "kind": &c.Kind, "source": &c.Source, "what": &c.What, "status": &c.Status,
	} {
		if in.has(key) {
			if *to = in.string(key); strings.TrimSpace(*to) == "" && caseKeys[key] {
				in.fault.add("case.%s is empty", key)
			}
		}
	}
	c.inputs, _ = in.get("inputs")
	c.expected, _ = in.get("expected")
	if omitted, ok := in.get("error_if_omitted"); ok {
		c.omitted = map[string]float64{}
		for _, m := range omitted.members {
			if x, err := m.number(); err == nil {
				c.omitted[m.key] = x
			}
		}
	}
	c.fault = in.err()
	return c
}

//go:embed builtin.json
var builtin string

// BuiltIn returns the cases that are part of the program, each with the source
// of its values.
func BuiltIn() []Case {
	cases, err := Read("built in", strings.NewReader(builtin))
	if err != nil {
		// A test reads them, so this cannot happen in a program that was tested;
		// if it does, the case that says so fails the run.
		return []Case{{ID: "built in", fault: err}}
	}
	return cases
}

// oneLine puts joined errors on one line.
func oneLine(err error) error {
	return errors.New(strings.ReplaceAll(err.Error(), "\n", "; "))
}
