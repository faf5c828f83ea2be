package main

import (
	"strings"
	"testing"
	"time"
)

func TestAgeForPeople(t *testing.T) {
	for _, c := range []struct {
		age  time.Duration
		want string
	}{
		{0, "0.0 s"}, {-300 * time.Millisecond, "0.0 s"}, {2345 * time.Millisecond, "2.3 s"}, {36 * time.Second, "36 s"},
		{2 * time.Minute, "2 min"}, {125 * time.Second, "2 min 5 s"}, {time.Hour, "1 h"}, {90 * time.Minute, "1 h 30 min"},
		{48 * time.Hour, "48 h"}, {48*time.Hour - 200*time.Millisecond, "48 h"}, {72 * time.Hour, "3 days"}, {250 * time.Hour, "10 days"},
	} {
		if got := age(c.age); got != c.want {
			t.Errorf("%s: %q, want %q", c.age, got, c.want)
		}
	}
}

func TestLengthsOfTimeOnTheCommandLine(t *testing.T) {
	for _, c := range []struct{ args, want string }{
		{"zero --kind test --for -3s", `--for: "-3s" is no length of time; write for example 30s`},
		{"zero --kind test --for=-3s", `--for: "-3s" is no length of time`},
		{"balance begin web --for 30", `--for: "30" is no length of time; write for example 30s`},
		{"balance end web --for 0s", "--for 0s is no time at all; write for example --for 30s"},
		{"shunt web --for 0s", "--for 0s is no time at all"},
		{"shunt web --settling --data x", `--settling: "--data" is no length of time`},
		{"shunt web --for", "--for 30s"},
	} {
		args := append(strings.Fields(c.args), "--who", "M. Arkle", "--why", "w")
		if strings.HasSuffix(c.args, "--for") {
			args = append([]string{"shunt", "web", "--who", "M. Arkle"}, "--for")
		}
		status, _, errs := glueline(t.Context(), args...)
		if status != 2 || !strings.Contains(errs, c.want) {
			t.Errorf("%s: status %d: %s", c.args, status, errs)
		}
	}
}
