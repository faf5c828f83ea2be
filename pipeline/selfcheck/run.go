package selfcheck

import (
	"fmt"
	"math"
)

// Verdict is what became of one expected quantity, or of a case as a whole.
type Verdict string

// The verdicts.
const (
	Pass   Verdict = "pass"
	Fail   Verdict = "fail"
	NotRun Verdict = "not run"
)

// Row is one line of a report: an expected quantity and what came out, or a
// case that was not run. An axis that has no direction is NaN on both sides.
type Row struct {
	Case, Quantity           string
	Expected, Got, Tolerance float64
	Unit, Source, Status     string
	Verdict                  Verdict
	Why                      string // of a failure or of not running, where it is known
}

// Report is the outcome of a run. Cases = Run + NotRun; Passed and Failed count
// quantities.
type Report struct {
	Rows                               []Row
	Cases, Run, Passed, Failed, NotRun int
}

// OK reports whether there was something to check and all of it passed.
func (r Report) OK() bool {
	return r.Cases > 0 && r.Run == r.Cases && r.Passed > 0 && r.Failed == 0 && r.NotRun == 0
}

// Run computes every case. A case that cannot be run has one row, which says
// why; nothing of it counts as passed.
func Run(cases []Case) Report {
	r := Report{Cases: len(cases)}
	for _, c := range cases {
		rows, err := check(c)
		if err != nil {
			r.NotRun++
			r.Rows = append(r.Rows, Row{
				Case: c.ID, Expected: math.NaN(), Got: math.NaN(), Source: c.Source, Status: c.Status,
				Verdict: NotRun, Why: oneLine(err).Error(),
			})
			continue
		}
		r.Run++
		for _, row := range rows {
			row.Case, row.Source, row.Status = c.ID, c.Source, c.Status
			if row.Verdict == Pass {
				r.Passed++
			} else {
				r.Failed++
				row.Why = c.suspect(row)
			}
			r.Rows = append(r.Rows, row)
		}
	}
	return r
}

func check(c Case) ([]Row, error) {
	if c.fault != nil {
		return nil, c.fault
	}
	compute, ok := kinds[c.Kind]
	if !ok {
		return nil, fmt.Errorf("unknown kind %q", c.Kind)
	}
	got, err := compute(newInputs("inputs", c.inputs))
	if err != nil {
		return nil, err
	}
	return compare(c, got)
}

// suspect names the correction whose omission would make just the difference of
// a failed row, where the case says what each is worth.
func (c Case) suspect(row Row) string {
	if math.IsNaN(row.Got) {
		return "the result is not a number"
	}
	if row.Unit != "strain" {
		return ""
	}
	difference := row.Got - row.Expected
	best, name := 0.02, ""
	for key, change := range c.omitted {
		off := math.Abs(difference-change) / math.Abs(change)
		if math.Abs(change) > row.Tolerance && (off < best || off == best && key < name) {
			best, name = off, key
		}
	}
	if name == "" {
		return ""
	}
	return "differs as if this had been left out: " + name
}
