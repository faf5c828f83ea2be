package main

import (
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
)

// The whole way of deploy/THERMAL.md: readings of a service, a proposal from them, a
// person puts it into the test file, and the archive is reduced again by it. The
// coupon's strain follows the temperature much less then, the held web still does,
// and a fit of the new revision finds nothing more to take out.
func TestFitThenRereduce(t *testing.T) {
	c := &coupons{t: t, dir: t.TempDir(), output: packageSays, noise: 0.3e-6}
	testFile, args := c.write()
	s := serve(t, testFile, filepath.Join(t.TempDir(), "data"), "--lazy")
	s.command("replay", testFile, args[3], args[4], "--events", args[2], "--nats", s.url, "--quiet")
	s.until("the frames are committed", func() bool {
		g := s.look().Groups[0]
		return g.LastCut != nil && g.Progress.Committed == g.Journal.Last
	})
	if status := s.stop(); status != 0 {
		t.Fatalf("status %d: %s", status, s.output)
	}
	proposal := filepath.Join(t.TempDir(), "proposal.yaml")
	fit := []string{"fit", "thermal-output", s.data, "--channels", "coupon", "--quiet"}
	before := s.command(append(fit, "--proposal", proposal)...)
	if !strings.Contains(before, "It is not in force") {
		t.Errorf("said:\n%s", before)
	}
	_, taken, ok := strings.Cut(read(t, proposal), "    thermal-output:")
	if !ok {
		t.Fatalf("proposal:\n%s", read(t, proposal))
	}
	changed := write(t, t.TempDir(), "changed.yaml", (&coupons{output: "thermal-output:" + taken}).testText())
	s.command("rereduce", s.data, "--calibration", changed, "--preview", "--quiet")
	if name, err := currentRevision(s.data); err != nil || name != reducedFolder {
		t.Fatalf("after a preview %s holds, %v", name, err)
	}
	s.command("rereduce", s.data, "--calibration", changed, "--who", "M. Arkle", "--why", "thermal output of the coupon", "--quiet")
	if name, err := currentRevision(s.data); err != nil || name != "r2" {
		t.Fatalf("%s holds, %v", name, err)
	}
	for _, channel := range []string{"coupon", "strap"} { // both are of the lot
		was, is := apparent(t, filepath.Join(s.data, reducedFolder), channel), apparent(t, filepath.Join(s.data, "r2"), channel)
		t.Logf("%s: temperature moved it by %.1f um/m, now by %.1f", channel, was*1e6, is*1e6)
		if was < 20e-6 || !(is < 0.25*was) {
			t.Errorf("%s: %.1f um/m, now %.1f", channel, was*1e6, is*1e6)
		}
	}
	if is := apparent(t, filepath.Join(s.data, "r2"), "web"); is < 100e-6 {
		t.Errorf("the strain of the held web went too: %.1f um/m is left", is*1e6)
	}
	// The new revision is what a fit goes by, and it agrees within the band.
	after := s.command(fit...)
	m := bandSaid.FindStringSubmatch(after)
	if m == nil {
		t.Fatalf("no band:\n%s", after)
	}
	band, err := strconv.ParseFloat(m[1], 64)
	if err != nil {
		t.Fatal(err)
	}
	const rounding = 0.1 // of the table
	if was, is := worstNow(t, before), worstNow(t, after); was < 10 || !(is <= band+rounding) {
		t.Errorf("what is taken out was off by up to %.1f um/m, and is by %.1f, band %.2f:\n%s", was, is, band, after)
	}
}

var fitRow = regexp.MustCompile(`^\s*-?[0-9.]+(\s+-?[0-9.]+){3}\s*$`)

// worstNow is how far the curve of a fit is from what is taken out now, at most, in
// um/m.
func worstNow(t *testing.T, said string) (worst float64) {
	t.Helper()
	_, table, ok := strings.Cut(said, "now um/m\n")
	if !ok {
		t.Fatalf("no table:\n%s", said)
	}
	rows := 0
	for line := range strings.Lines(table) {
		if strings.TrimSpace(line) == "" {
			break
		}
		if !fitRow.MatchString(strings.TrimRight(line, "\n")) {
			continue
		}
		words := strings.Fields(line)
		curve, err := strconv.ParseFloat(words[1], 64)
		now, err2 := strconv.ParseFloat(words[3], 64)
		if err != nil || err2 != nil {
			t.Fatalf("%q", line)
		}
		worst = max(worst, curve-now, now-curve)
		rows++
	}
	if rows < 6 {
		t.Fatalf("%d rows:\n%s", rows, said)
	}
	return worst
}
