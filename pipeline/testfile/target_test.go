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
		{"", ""}, {"250 kN", ""}, {"-1.5e2 kN", ""}, {"0.25 MN", ""}, {"250kN", ""}, {"3 m", ""}, {"3.2 mWS", ""}, {"80 %", ""}, {"12 bar", ""}, {"100 °C", ""},
		{"250 KN", `the unit "KN" of the target "250 KN" is not known; those of the test file are kN, mWS. Write for example "250 kN"`},
		{"250", `no number with its unit; write for example "250 kN"`},
		{"full", `the target "full" is no number`}, {"2,5 kN", `the target "2,5 kN" is no number`},
	} {
		switch err := test.CheckTarget(c.text); {
		case (err == nil) != (c.says == ""):
			t.Errorf("%q: %v", c.text, err)
		case err != nil && !strings.Contains(err.Error(), c.says):
			t.Errorf("%q: %v, want %q", c.text, err, c.says)
		}
	}
	if err := new(Test).CheckTarget("3 furlong"); err == nil || !strings.Contains(err.Error(), "has none of its own") {
		t.Error(err)
	}
}
