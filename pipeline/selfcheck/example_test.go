package selfcheck_test

import (
	"fmt"
	"os"

	"glueline/pipeline/selfcheck"
)

// A laboratory states its own cases in a file of the form that CASES.md
// describes, and finds out whether the program agrees.
func Example() {
	f, err := os.Open("example.json")
	if err != nil {
		fmt.Println(err)
		return
	}
	defer f.Close()
	cases, err := selfcheck.Read("example.json", f)
	if err != nil {
		fmt.Println(err)
		return
	}
	report := selfcheck.Run(cases)
	if err := report.WriteTable(os.Stdout, false); err != nil {
		fmt.Println(err)
	}
	fmt.Println("in order:", report.OK())
	// Output:
	// case          quantity                  expected          got    tolerance source verdict
	// tie-bar-1     delta_ratio_corrected        0.001        0.001    1e-12 V/V    [1] pass
	// tie-bar-1     strain                 0.002004008  0.002004008 1e-11 strain    [1] pass
	// tie-bar-1     stress_uniaxial       4.008016e+08 4.008016e+08        10 Pa    [1] pass
	// short-history histogram[0].range               3            3        5e-12    [2] pass
	// short-history histogram[0].count               1            1        1e-09    [2] pass
	// short-history histogram[1].range               5            5        5e-12    [2] pass
	// short-history histogram[1].count               1            1        1e-09    [2] pass
	// short-history histogram length                 2            2            0    [2] pass
	// short-history total_count                      2            2        1e-09    [2] pass
	// hydrostatic   e1                          0.0001       0.0001 1e-15 strain    [3] pass
	// hydrostatic   theta_p                  undefined    undefined            -    [3] pass
	//
	// Sources
	//   [1] by hand: relative resistance change 4q/(1 - 2q) with q = 0.001, over a gauge factor of 2
	//   [2] ASTM E1049-85, 5.4.4, by hand
	//   [3] definition: every direction is principal
	//
	// 3 cases, 3 run; 11 quantities passed, 0 failed; 0 cases not run
	// in order: true
}
