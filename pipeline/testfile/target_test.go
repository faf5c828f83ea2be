package testfile

import (
	"strings"
	"testing"
)

func TestTargets(t *testing.T) {
	test := &Test{}
	test.About.Load.Text = "force"
	test.Auxiliary.Entries = append(test.Auxiliary.Entries,
		Entry[Auxiliary]{Name: "head", Value: Auxiliary{Unit: Word{Text: "mWS"}}},
		Entry[Auxiliary]{Name: "force", Value: Auxiliary{Unit: Word{Text: "kN"}}})
	for _, c := range []struct{ text, says string }{
		{"", ""}, {"250 kN", ""}, {"-1.5e2 kN", ""}, {"0.25 MN", ""}, {"250kN", ""}, {"3.2 mWS", ""}, {"80 %", ""}, {"56 kip", ""},
		{"50 bar", `the target "50 bar" is a pressure or stress, and no load of the test file is one: they are in kN, mWS. Write for example "250 kN"`},
		{"5 MPa", "is a pressure or stress"}, {"3 m", "is a length"}, {"100 °C", "is a temperature"}, {"25 t", "is a mass"}, {"12 kN m", "is a moment"},
		{"250 KN", `the unit "KN" of the target "250 KN" is not known; those of the test file are kN, mWS. Write for example "250 kN"`},
		{"250", `no number with its unit; write for example "250 kN"`},
		{"full", `the target "full" is no number`}, {"2,5 kN", `the target "2,5 kN" is no number`}, {"1e400 kN", `the target "1e400 kN" is no number`},
	} {
		switch err := test.CheckTarget(c.text); {
		case (err == nil) != (c.says == ""):
			t.Errorf("%q: %v", c.text, err)
		case err != nil && !strings.Contains(err.Error(), c.says):
			t.Errorf("%q: %v, want %q", c.text, err, c.says)
		}
	}
	vessel := &Test{}
	vessel.Auxiliary.Entries = append(vessel.Auxiliary.Entries, Entry[Auxiliary]{Name: "p", Value: Auxiliary{Unit: Word{Text: "bar"}}})
	for _, text := range []string{"50 bar", "5 MPa", "700 psi"} {
		if err := vessel.CheckTarget(text); err != nil {
			t.Error(err)
		}
	}
	if err := new(Test).CheckTarget("50 bar"); err != nil {
		t.Errorf("without a load of the test file: %v", err)
	}
	if err := new(Test).CheckTarget("3 furlong"); err == nil || !strings.Contains(err.Error(), "has none of its own") {
		t.Error(err)
	}
}
