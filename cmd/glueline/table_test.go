package main

import (
	"strings"
	"testing"
	"unicode/utf8"
)

// A table fits the screen where it can: text of its last column goes on below.
func TestTablesWrapTheirLastColumn(t *testing.T) {
	flags := strings.TrimSuffix(strings.Repeat("temperature-missing always, ", 9), ", ")
	tab := table{head: []string{"channel", "rows", "flags"}, right: []bool{false, true, false},
		rows: [][]string{{"web", "12", flags}, {"flange", "7", "ok"}}}
	var b strings.Builder
	tab.write(&b)
	lines := strings.Split(strings.TrimSuffix(b.String(), "\n"), "\n")
	if len(lines) != 6 || !strings.HasPrefix(lines[3], strings.Repeat(" ", 15)+"always, temperature-missing always,") || lines[5] != "flange      7  ok" {
		t.Errorf("got\n%s", b.String())
	}
	for _, line := range lines {
		if utf8.RuneCountInString(line) > lineWidth || strings.HasSuffix(line, " ") {
			t.Errorf("%d columns: %q", utf8.RuneCountInString(line), line)
		}
	}
	if got := strings.Join(strings.Fields(lines[2]+lines[3]+lines[4]), " "); got != "web 12 "+flags {
		t.Errorf("words are lost: %s", got)
	}
}

// Rounding noise has no sign.
func TestNoNegativeNought(t *testing.T) {
	for v, want := range map[float64]string{-0.001: "0.00", 0.001: "0.00", -0.01: "-0.01", -1: "-1.00"} {
		if got := fixed(v, 2); got != want {
			t.Errorf("%g is %s, want %s", v, got, want)
		}
	}
}
