package main

import (
	"strings"
	"testing"
)

func TestJudge(t *testing.T) {
	const (
		pass  = `{"Action":"pass","Package":"p","Test":"TestA"}` + "\n"
		ended = `{"Action":"pass","Package":"p"}` + "\n"
		bare  = `{"Action":"skip","Package":"q"}` + "\n" // a package without tests
	)
	tests := []struct {
		name, in, last string
		status         int
		shows          string
	}{
		{"all passed", pass + ended + bare, "1 passed, 0 failed, 0 skipped", 0, ""},
		{"nothing ran", bare, "0 passed, 0 failed, 0 skipped", 1, ""},
		{"no input", "", "0 passed, 0 failed, 0 skipped", 1, ""},
		{
			"a failure shows its output", pass +
				`{"Action":"output","Package":"p","Test":"TestB","Output":"b_test.go:7: off by 3\n"}` + "\n" +
				`{"Action":"fail","Package":"p","Test":"TestB"}` + "\n" +
				`{"Action":"fail","Package":"p"}` + "\n",
			"1 passed, 1 failed, 0 skipped", 1, "off by 3",
		},
		{
			"a skip is a failure and shows its reason", pass +
				`{"Action":"output","Package":"p","Test":"TestB/sub","Output":"no clock here\n"}` + "\n" +
				`{"Action":"skip","Package":"p","Test":"TestB/sub"}` + "\n" + ended,
			"1 passed, 0 failed, 1 skipped", 1, "no clock here",
		},
		{
			"a package that does not build", pass + ended +
				`{"Action":"build-output","ImportPath":"q","Output":"q.go:1: undefined: x\n"}` + "\n" +
				`{"Action":"fail","Package":"q","FailedBuild":"q"}` + "\n",
			"1 passed, 1 failed, 0 skipped", 1, "undefined: x",
		},
		{
			"a test that never ends", pass +
				`{"Action":"output","Package":"p","Test":"TestB","Output":"panic: test timed out\n"}` + "\n" +
				`{"Action":"fail","Package":"p"}` + "\n",
			"1 passed, 1 failed, 0 skipped", 1, "timed out",
		},
		{"plain words of the go command", "go: no such tool\n", "0 passed, 0 failed, 0 skipped", 1, "no such tool"},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			var out strings.Builder
			if status := judge(strings.NewReader(test.in), &out); status != test.status {
				t.Errorf("status %d, want %d", status, test.status)
			}
			if !strings.HasSuffix(out.String(), test.last+"\n") {
				t.Errorf("ends %q, want %q", out.String(), test.last)
			}
			if !strings.Contains(out.String(), test.shows) {
				t.Errorf("does not show %q: %q", test.shows, out.String())
			}
		})
	}
}
