package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// A revision goes from draft to checked, by a second person, to released, once
// each; calibrations tells all of it, and what is released says draft no more.
// What rereduce refuses leaves what holds as it was.
func TestReviewOfARevision(t *testing.T) {
	out := filepath.Join(t.TempDir(), "demo")
	if status, _, errs := glueline(t.Context(), "demo", "--out", out, "--duration", "1h", "--quiet"); status != 0 {
		t.Fatal(errs)
	}
	data, test := filepath.Join(out, "results"), filepath.Join(out, "raw", "hollin.yaml")
	other := otherLot(t, test, "linear", "2.01")
	refused := func(says string, args ...string) {
		t.Helper()
		if status, _, errs := glueline(t.Context(), args...); status != 1 || !strings.Contains(errs, says) {
			t.Errorf("%q: status %d, %s; want 1 and %q", args, status, errs, says)
		}
	}
	type told struct {
		Current   string
		Named     []calibrationLine
		Revisions []struct {
			Name              string `json:"revision"`
			Who               string
			Standing          standing
			Changes           []string
			Checked, Released *signature
		}
	}
	report := func() (r told) {
		t.Helper()
		status, text, errs := glueline(t.Context(), "calibrations", data, "--json")
		if err := json.Unmarshal([]byte(text), &r); status != 0 || err != nil {
			t.Fatal(status, errs, err)
		}
		return r
	}
	refused("which is not defined", "rereduce", data, "--calibration", write(t, out, "broken.yaml", strings.Replace(read(t, test), "lot: linear", "lot: lineal", 1)), "--who", "M. Arkle", "--why", "a trial")
	if r := report(); r.Current != reducedFolder || len(r.Revisions) != 1 {
		t.Fatalf("%+v after a refusal; want r1 alone", r)
	}
	if status, _, errs := glueline(t.Context(), "rereduce", data, "--calibration", other, "--who", "M. Arkle", "--why", "the package says 2.01", "--quiet"); status != 0 {
		t.Fatal(errs)
	}
	refused("not checked yet", "review", data, "r2", "released", "--who", "B. Checker")
	refused("a second person", "review", data, "r2", "checked", "--who", "m. arkle")
	refused("no revision r3", "review", data, "r3", "checked", "--who", "B. Checker")
	refused("say who", "review", data, "r2", "checked", "--who", " ")
	steps := func() string {
		_, text, _ := glueline(t.Context(), "steps", data)
		return text
	}
	for _, s := range []struct{ standing, says string }{{"checked", "draft, checked"}, {"released", ""}} {
		if status, text, errs := glueline(t.Context(), "review", data, "r2", s.standing, "--who", "B. Checker", "--why", "by hand"); status != 0 || !strings.Contains(text, "Revision r2 is "+s.standing) ||
			!strings.Contains(text, "up to 2026-05-04 06:59:59Z.\nWhat comes later goes into it too") {
			t.Fatal(status, text, errs)
		}
		if text := steps(); s.says == "" && strings.Contains(text, "draft") || !strings.Contains(text, s.says) {
			t.Errorf("steps of a %s revision: %s", s.standing, text)
		}
		refused("already, by B. Checker", "review", data, "r2", s.standing, "--who", "C. Other")
	}
	r := report()
	if r.Current != "r2" || len(r.Revisions) != 2 || len(r.Named) == 0 {
		t.Fatalf("%+v", r)
	}
	second := r.Revisions[1]
	if second.Name != "r2" {
		second = r.Revisions[0]
	}
	if second.Standing != isReleased || second.Checked == nil || second.Checked.Who != "B. Checker" || second.Released == nil || second.Who != "M. Arkle" ||
		!strings.Contains(strings.Join(second.Changes, " "), "lot linear: gauge factor 2.08 -> 2.01") {
		t.Errorf("%+v", second)
	}
	if up := time.Date(2026, 5, 4, 6, 59, 59, 0, time.UTC); second.Checked.UpTo.Truncate(time.Second) != up || second.Released.UpTo.Truncate(time.Second) != up {
		t.Errorf("it is checked up to %v, released up to %v", second.Checked.UpTo, second.Released.UpTo)
	}
	// The first revision has ended where the second took its place.
	if status, text, errs := glueline(t.Context(), "review", data, "r1", "checked", "--who", "B. Checker"); status != 0 || !strings.Contains(text, "up to ") || strings.Contains(text, "What comes later") {
		t.Error(status, text, errs)
	}
	status, text, errs := glueline(t.Context(), "calibrations", data)
	for _, want := range []string{"holds", "released", "lot linear: gauge", "r2 checked by B. Checker", ", up to 2026-05-04 06:59:59Z: by hand", "the package says 2.01"} {
		if status != 0 || !strings.Contains(text, want) {
			t.Errorf("%d %s: no %q in\n%s", status, errs, want, text)
		}
	}

	// Where readings came since it was released, that is told.
	released := filepath.Join(data, "r2", signatureName(isReleased))
	var given signature
	if err := json.Unmarshal([]byte(read(t, released)), &given); err != nil {
		t.Fatal(err)
	}
	given.UpTo = given.UpTo.Add(-30 * time.Minute)
	earlier, err := json.Marshal(given)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(released, earlier, 0o600); err != nil {
		t.Fatal(err)
	}
	if text := steps(); !strings.Contains(text, "Revision r2: released up to 2026-05-04 06:29:59Z; what came later is draft.") {
		t.Errorf("half an hour came since: %s", text)
	}
}
