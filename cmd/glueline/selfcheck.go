package main

import (
	"errors"
	"fmt"
	"os"

	"glueline/pipeline/selfcheck"
)

type selfcheckCommand struct {
	Files  []string `arg:"" optional:"" type:"path" help:"Case files (JSON). Without one, the cases that are built in."`
	Failed bool     `help:"Print only what failed or was not run."`
}

// Run prints the report. It ends with an error if anything fails or is not run,
// so that a script cannot mistake a check that did not happen for one that
// passed.
func (c selfcheckCommand) Run(s streams) error {
	var cases []selfcheck.Case
	var unread []error
	if len(c.Files) == 0 {
		cases = selfcheck.BuiltIn()
	}
	for _, name := range c.Files {
		more, err := readCases(name)
		if err != nil {
			unread = append(unread, err)
		}
		cases = append(cases, more...)
	}
	report := selfcheck.Run(cases)
	if len(cases) > 0 {
		if err := report.WriteTable(s.out, c.Failed); err != nil {
			return fmt.Errorf("write the report: %w", err)
		}
	}
	for _, err := range unread {
		fmt.Fprintln(s.err, "glueline: not run:", err)
	}
	if len(unread) > 0 || !report.OK() {
		return errReported
	}
	return nil
}

func readCases(name string) ([]selfcheck.Case, error) {
	f, err := os.Open(name)
	if err != nil {
		return nil, err
	}
	cases, err := selfcheck.Read(name, f)
	return cases, errors.Join(err, f.Close())
}
