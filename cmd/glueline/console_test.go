package main

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"glueline/sinks/console"
)

func TestConsoleThatOthersReachIsRefused(t *testing.T) {
	for _, f := range []consoleFlags{{Console: "0.0.0.0:0"}, {Console: ":8090"}, {Console: "192.0.2.1:80"}, {Console: "[::]:1"},
		{Console: "0.0.0.0:0", ConsoleUsers: "u"}, {Console: "0.0.0.0:0", ConsoleCert: "c", ConsoleKey: "k"}} {
		if err := f.check(); !errors.Is(err, errConsole) {
			t.Errorf("%+v: %v", f, err)
		}
	}
	for _, f := range []consoleFlags{{Console: "127.0.0.1"}, {Console: "127.0.0.1:1", ConsoleCert: "c"}} {
		if err := f.check(); err == nil {
			t.Errorf("%+v was taken", f)
		}
	}
	for _, f := range []consoleFlags{{}, {Console: "127.0.0.1:0"}, {Console: "[::1]:1"}, {Console: "0.0.0.0:1", NoConsole: true}, {Console: "0.0.0.0:1", ConsoleUsers: "u", ConsoleCert: "c", ConsoleKey: "k"}} {
		if err := f.check(); err != nil {
			t.Errorf("%+v: %v", f, err)
		}
	}
}

// What somebody types on the page is never a flag of a command.
func TestActionsAreNoFlags(t *testing.T) {
	a := &consoleArticle{svc: &service{data: "d"}}
	if _, err := a.Plan(t.Context(), console.Action{What: "note"}); err == nil {
		t.Error("planned before the journal was open")
	}
	a.svc.opened.Store(true)
	for name, form := range consoleActions {
		if form.own != nil {
			continue
		}
		fields := map[string]string{"who": "--force=x", "why": "--data=/other"}
		for _, f := range form.fields {
			fields[f] = "--data=/other"
		}
		flags, words := form.args(fields)
		for _, x := range flags[1:] {
			if x != name && (!strings.Contains(x, "=") || !strings.HasPrefix(x, "--")) {
				t.Errorf("%s: %q stands alone among the flags", name, x)
			}
		}
		for _, x := range words {
			if x != "--data=/other" {
				t.Errorf("%s: %q", name, x)
			}
		}
		p, err := a.Plan(t.Context(), console.Action{What: name, Fields: fields})
		if err != nil {
			t.Fatal(err)
		}
		if len(words) > 0 && !strings.Contains(p.Says, " -- ") {
			t.Errorf("%s: its words do not stand behind --: %s", name, p.Says)
		}
	}
	for _, x := range []console.Action{{What: "serve"}, {What: "note", Fields: map[string]string{"who": "a"}}, {What: "note", Fields: map[string]string{"text": "x"}},
		{What: "note", Fields: map[string]string{"who": "a", "text": "x", "data": "/other"}}, {What: "note", Fields: map[string]string{"who": "a", "text": "x\x00"}}, {What: "compare", Fields: map[string]string{"who": "a", "a": "r1", "b": "../r1"}}} {
		if _, err := a.Plan(t.Context(), x); err == nil {
			t.Errorf("%+v was planned", x)
		}
	}
}

// saw is a line of testdata/js/console.mjs.
type saw struct {
	What, Where, Says, Done, Text, Time, Raw, Trusted string
	Serious, Rows, False, Errors                      []string
	Passes, Over, Bars, Images, Quiet                 int
	There, Found                                      bool
	Ratio, Ms                                         float64
}

// The page is driven in a real browser: every view in each theme and size, a gauge
// that opened, single samples, a changed constant, a lost connection.
func TestConsoleInABrowser(t *testing.T) {
	t.Parallel()
	ctx, stop := context.WithTimeout(t.Context(), 9*time.Minute)
	defer stop()
	out, shots := filepath.Join(t.TempDir(), "demo"), os.Getenv("GLUELINE_SHOTS") // a folder where screenshots stay
	if shots == "" {
		shots = t.TempDir()
	}
	demo := process(t, "demo", "--quiet", "--stay", "--out", out)
	lines := output(t, demo)
	link := ""
	for link == "" {
		if text, ok := strings.CutPrefix(lines.next(ctx, t), "Look at it: "); ok {
			link = text
		}
	}
	driver := exec.CommandContext(ctx, "node", "../../testdata/js/console.mjs", link, shots, strconv.Itoa(demo.Process.Pid))
	driver.Stderr = os.Stderr
	pipe, err := driver.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := driver.Start(); err != nil {
		t.Fatalf("%v: the test needs Node and its packages (npm ci --prefix testdata/js) and Debian's chromium", err)
	}
	seen := map[string][]saw{}
	scanner := bufio.NewScanner(pipe)
	scanner.Buffer(nil, 1<<20)
	for scanner.Scan() {
		var s saw
		if err := json.Unmarshal(scanner.Bytes(), &s); err != nil {
			t.Errorf("%s: %v", scanner.Text(), err)
			continue
		}
		seen[s.What] = append(seen[s.What], s)
		if s.What == "failed" || s.What == "error" {
			t.Errorf("%s: %s", s.What, s.Text)
		}
	}
	if err := driver.Wait(); err != nil {
		t.Fatal(err)
	}
	one := func(what string) saw {
		t.Helper()
		if len(seen[what]) != 1 {
			t.Fatalf("%d times %s", len(seen[what]), what)
		}
		return seen[what][0]
	}
	if n := len(seen["axe"]); n != 4*7+5 || len(seen["warning"]) != 5*7 {
		t.Errorf("%d pages checked, %d looked at", n, len(seen["warning"]))
	}
	for _, s := range seen["axe"] {
		if len(s.Serious) > 0 || s.Passes == 0 {
			t.Errorf("%s: %q", s.Where, s.Serious)
		}
	}
	for _, s := range seen["warning"] {
		if !s.There {
			t.Errorf("%s does not say that it does not protect", s.Where)
		}
	}
	for _, s := range seen["fits"] {
		if s.Over > 0 {
			t.Errorf("%s is %d pixels wider than the screen", s.Where, s.Over)
		}
	}
	if !one("planted").Found {
		t.Error("the checker did not find what was planted")
	}
	// beam-n opens in every demo with faults (seed 1).
	if s := one("article"); !strings.Contains(strings.Join(s.False, "\n"), "beam-n, open") || s.Bars == 0 {
		t.Errorf("on the drawing: %q, %d bars", s.False, s.Bars)
	}
	if s := one("trust"); len(s.Rows) == 0 || !strings.HasPrefix(s.Rows[0], "beam-n open") {
		t.Errorf("first in Trust: %q", s.Rows)
	}
	// What the page says of a sample is what the segment of then holds.
	s := one("sample")
	at, err := instantOf(s.Time)
	if err != nil {
		t.Fatal(err)
	}
	results := filepath.Join(out, "results")
	want, err := lineageFor(ctx, &explainCommand{Dir: results, Channel: "skin-9"}, at)
	if err != nil {
		t.Fatal(err)
	}
	if s.Raw != "true" || want.Ratio == nil || !(math.Abs(*want.Ratio-s.Ratio) <= 1e-18) {
		t.Errorf("the page says %g, the segment %v, single samples %s", s.Ratio, want.Ratio, s.Raw)
	}
	if s := one("parts"); !strings.Contains(s.Says, "raw ratio: ") || !strings.Contains(s.Says, " mV/V") || !strings.Contains(s.Says, "thermal output: ") {
		t.Errorf("under the cursor: %s", s.Says)
	}
	if len(seen["then"]) != 2 || !strings.Contains(seen["then"][0].Says, "no flag then") || !strings.Contains(seen["then"][1].Says, "Young's modulus (stated without ±)") {
		t.Errorf("of the past: %+v", seen["then"])
	}
	for what, words := range map[string]string{"preview": "gauge factor 2.08 -> 2.1", "apply": "Revision r2 holds", "compare": "skin-9", "note": "onerror"} {
		if s := one(what); s.Done != "yes" || !strings.Contains(s.Says, words) {
			t.Errorf("%s: %s %s", what, s.Done, s.Says)
		}
	}
	if one("note").Images != 0 {
		t.Error("a note became an element of the page")
	}
	if s := one("lost"); !strings.Contains(s.Says, "s old") {
		t.Error(s.Says)
	}
	if s := one("back"); !strings.HasPrefix(s.Says, "live") {
		t.Error(s.Says)
	}
	if s := one("policy"); s.Quiet != 0 || !strings.Contains(s.Trusted, "TrustedHTML") {
		t.Errorf("%d errors before anything was tried, then %q: %q", s.Quiet, s.Trusted, s.Errors)
	}
	one("end")
}
