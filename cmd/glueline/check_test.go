package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"unicode/utf8"
)

var update = flag.Bool("update", false, "write golden files anew")

// commandOutput runs glueline as from a shell.
func commandOutput(args ...string) (status int, out, errs string) {
	var o, e bytes.Buffer
	status = run(context.Background(), args, streams{&o, &e})
	return status, o.String(), e.String()
}

// checked runs check on the day of the golden files.
func checked(file string) (status int, out, errs string) {
	return commandOutput("check", "--on", "2026-06-10T00:00:00Z", file)
}

// golden compares output with a file, or writes the file with -update.
func golden(t *testing.T, file, got string) {
	t.Helper()
	if *update {
		if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatalf("%v; go test ./cmd/glueline -update writes it", err)
	}
	g, w := strings.Split(got, "\n"), strings.Split(string(want), "\n")
	for i := range max(len(g), len(w)) {
		switch {
		case i >= len(g):
			t.Fatalf("%s: ends before line %d: %s", file, i+1, w[i])
		case i >= len(w):
			t.Fatalf("%s: goes on at line %d: %s", file, i+1, g[i])
		case g[i] != w[i]:
			t.Fatalf("%s:%d:\n got %s\nwant %s", file, i+1, g[i], w[i])
		}
	}
}

func TestCheckGolden(t *testing.T) {
	for name, file := range map[string]string{
		"jib":    "testdata/check/jib.yaml",
		"hollin": "../../pipeline/simulate/hollin.yaml",
	} {
		t.Run(name, func(t *testing.T) {
			status, out, errs := checked(file)
			if status != 0 || errs != "" {
				t.Fatalf("status %d: %s", status, errs)
			}
			for i, line := range strings.Split(out, "\n") {
				if n := utf8.RuneCountInString(line); n > lineWidth {
					t.Errorf("line %d is %d columns wide: %s", i+1, n, line)
				}
			}
			if strings.Contains(out, "NaN") || strings.Contains(out, "Inf") {
				t.Error("a number that is none is printed as such")
			}
			golden(t, filepath.Join("testdata", "check", name+".txt"), out)
		})
	}
}

// tableRow returns the cells of a channel's row in the table below a title.
func tableRow(t *testing.T, out, title, name string) []string {
	t.Helper()
	_, section, found := strings.Cut(out, "\n"+title+"\n")
	if found {
		for _, line := range strings.Split(section, "\n") {
			if cells := regexp.MustCompile(` {2,}`).Split(strings.TrimSpace(line), -1); cells[0] == name {
				return cells
			}
		}
	}
	t.Fatalf("no row %q below %q in:\n%s", name, title, out)
	return nil
}

// What is printed, against numbers worked out by hand in the units of the headings.
func TestCheckPrintsByHand(t *testing.T) {
	status, out, _ := checked("testdata/check/jib.yaml")
	if status != 0 {
		t.Fatal(out)
	}
	const kept = 350 / 353.5 // of the signal, behind 3.5 ohm a wire: Rg/(Rg + RL)
	for _, test := range []struct {
		table, row string
		column     int
		want       string
	}{
		{"Signal", "chord (G1)", 2, fmt.Sprintf("%.4f", 0.5*kept)},    // F/4, gauge factor 2
		{"Signal", "chord (G1)", 3, fmt.Sprintf("%.1f", 2000/kept)},   // its inverse
		{"Signal", "chord (G2)", 2, fmt.Sprintf("%.4f", -0.5*kept)},   // signal wires swapped
		{"Signal", "chord (G1)", 4, "1000"},                           // as written
		{"Signal", "shaft", 5, "1.0000"},                              // F/2 per gamma, exactly linear
		{"Signal", "shaft", 7, "0.000"},                               //
		{"Leads and shunt", "chord (G1)", 1, "3.500"},                 // as written
		{"Leads and shunt", "chord (G1)", 2, "0.99"},                  // 100 (1 - kept)
		{"Leads and shunt", "sheave", 1, "1.339"},                     // AWG 26: 0.13391 ohm/m, published-values.json awg-26
		{"Leads and shunt", "sheave", 3, "5.5179"},                    // 2.6781/(2 (240 + 2.6781))
		{"Leads and shunt", "chord (G1)", 6, "174650"},                // as written
		{"Leads and shunt", "chord (G1)", 8, "-1000.0"},               // -Rg/(Rg + Rs)/F
		{"Temperature, power and sampling", "chord (G1)", 4, "-48.0"}, // 3 (T - 20) - 0.03 (T^2 - 400) at 0 degC
		{"Temperature, power and sampling", "chord (G1)", 5, "27.0"},  // greatest at 50 degC
		{"Temperature, power and sampling", "sheave", 5, "-"},         // not stated
		{"Temperature, power and sampling", "chord (G1)", 6, "15.56"}, // (10 V/707 ohm)^2 350 ohm on 4.5 mm2
		{"Temperature, power and sampling", "chord (G1)", 8, "4.9"},   // ten samples a cycle
		{"Installation", "chord (G1)", 6, "2026-06-01 11:00"},         // on clocks of the test's zone
		{"Rosettes", "web", 3, "web-a 0, web-b -45, web-c -90"},       // clockwise from x
		{"Materials", "bronze", 1, "103.0"},                           // library: Hibbeler, from memory
	} {
		if cells := tableRow(t, out, test.table, test.row); test.column >= len(cells) || cells[test.column] != test.want {
			t.Errorf("%s, %s: %q, want %q in column %d", test.table, test.row, cells, test.want, test.column)
		}
	}
}

// Every mistake is printed on a line of its own, with its place, and nothing else is.
func TestCheckInvalid(t *testing.T) {
	text, err := os.ReadFile("testdata/check/jib.yaml")
	if err != nil {
		t.Fatal(err)
	}
	wrong := string(text)
	for _, r := range [][2]string{
		{"rate: 40 Hz", "rate: 40"},
		{"gauge-factor: 2.05", "gauge-facter: 2.05"},
		{"bridge: full_shear", "bridge: full_shore"},
		{"material: bronze", "material: bronce"},
	} {
		if strings.Count(wrong, r[0]) != 1 {
			t.Fatalf("%q is not there once", r[0])
		}
		wrong = strings.Replace(wrong, r[0], r[1], 1)
	}
	path := filepath.Join(t.TempDir(), "wrong.yaml")
	if err := os.WriteFile(path, []byte(wrong), 0o600); err != nil {
		t.Fatal(err)
	}
	status, out, errs := checked(path)
	if status != 1 || out != "" {
		t.Errorf("status %d, output %q", status, out)
	}
	lines := strings.Split(strings.TrimSuffix(errs, "\n"), "\n")
	places := 0
	for _, line := range lines[:len(lines)-1] {
		if regexp.MustCompile(`^` + regexp.QuoteMeta(path) + `:\d+:\d+: `).MatchString(line) {
			places++
		}
	}
	// A misspelt key is not missing as well.
	if places != 4 || len(lines) != 5 || lines[4] != "glueline: 4 mistakes in "+path {
		t.Errorf("%d places in:\n%s", places, errs)
	}
	for _, want := range []string{"found 40; write it with its unit", "gauge-facter", "full_shear", "bronze"} {
		if !strings.Contains(errs, want) {
			t.Errorf("no %s in:\n%s", want, errs)
		}
	}
}

func TestCheckStatus(t *testing.T) {
	folder := t.TempDir()
	empty := filepath.Join(folder, "empty.yaml")
	if err := os.WriteFile(empty, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	for _, test := range []struct {
		args   []string
		status int
		says   string
	}{
		{[]string{"check", filepath.Join(folder, "missing.yaml")}, 1, "missing.yaml"},
		{[]string{"check", folder}, 1, "directory"},
		{[]string{"check", empty}, 1, "empty file"},
		{[]string{"check"}, 2, "testfile"},
		{[]string{"check", "--on", "yesterday", "testdata/check/jib.yaml"}, 2, "yesterday"},
	} {
		status, out, errs := commandOutput(test.args...)
		if status != test.status || !strings.Contains(errs, test.says) || strings.Contains(out, "is valid") {
			t.Errorf("%v: status %d, %s%s", test.args, status, out, errs)
		}
	}
	if status := run(context.Background(), []string{"check", "testdata/check/jib.yaml"}, streams{full{}, full{}}); status != 1 {
		t.Errorf("status %d although nothing could be written", status)
	}
}

// full is a disk without room.
type full struct{}

func (full) Write([]byte) (int, error) { return 0, errors.New("no space left on device") }

// Certificates are judged at the instant given.
func TestCheckCertificates(t *testing.T) {
	const expired = "its certificate Q-7 expired at 2026-06-01 00:00 BST"
	if _, out, _ := checked("testdata/check/jib.yaml"); !strings.Contains(out, "caution "+expired) {
		t.Errorf("not said: %s", expired)
	}
	if _, out, _ := commandOutput("check", "--on", "2026-05-31T22:59:59Z", "testdata/check/jib.yaml"); strings.Contains(out, "expired") {
		t.Error("expired before its time")
	}
}

// A file cannot move the cursor or colour the screen of who checks it.
func TestCheckPrintsNoControlCharacters(t *testing.T) {
	text, err := os.ReadFile("testdata/check/jib.yaml")
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "hostile.yaml")
	hostile := strings.Replace(string(text), "name: Quay jib", `name: "Quay \e[31m jib\u202e"`, 1)
	if err := os.WriteFile(path, []byte(hostile), 0o600); err != nil {
		t.Fatal(err)
	}
	_, out, errs := checked(path)
	if !strings.Contains(out+errs, "Quay") || strings.ContainsAny(out+errs, "\x1b\u202e") {
		t.Errorf("%q", out+errs)
	}
}

func TestSchema(t *testing.T) {
	status, out, errs := commandOutput("schema")
	var schema map[string]any
	if err := json.Unmarshal([]byte(out), &schema); status != 0 || errs != "" || err != nil {
		t.Fatalf("status %d: %v%s", status, err, errs)
	}
	for _, key := range []string{"$schema", "properties", "$defs"} {
		if schema[key] == nil {
			t.Errorf("no %s", key)
		}
	}
	if status := run(context.Background(), []string{"schema"}, streams{full{}, full{}}); status != 1 {
		t.Errorf("status %d although nothing could be written", status)
	}
}
