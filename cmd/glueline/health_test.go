package main

import (
	"bytes"
	"context"
	"errors"
	"io/fs"
	"maps"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"glueline/pipeline/drift/driftsim"
	"glueline/sinks/archive"
	"glueline/sinks/health"
	"glueline/sinks/segment"
)

// healthFiles are the health files of a folder, by name.
func healthFiles(t *testing.T, dir string) map[string]string {
	t.Helper()
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	all := map[string]string{}
	for _, e := range entries {
		if _, _, _, ok := health.Of(e.Name()); ok {
			all[e.Name()] = read(t, filepath.Join(dir, e.Name()))
		}
	}
	return all
}

// withoutHealth copies a data folder, without its journal and its health files.
func withoutHealth(t *testing.T, from string) (to string) {
	t.Helper()
	to = t.TempDir()
	for _, folder := range []string{rawFolder, reducedFolder, keptFolder} {
		if err := os.CopyFS(filepath.Join(to, folder), os.DirFS(filepath.Join(from, folder))); err != nil {
			t.Fatal(err)
		}
	}
	forgetHealth(t, filepath.Join(to, reducedFolder))
	return to
}

func forgetHealth(t *testing.T, dir string) {
	t.Helper()
	for name := range healthFiles(t, dir) {
		if err := os.Remove(filepath.Join(dir, name)); err != nil {
			t.Fatal(err)
		}
	}
}

// makeHealth makes the health files of a folder as serve does; between two batches
// killed says whether the process is as if it were gone.
func makeHealth(t *testing.T, data string, killed func() bool) (kills int) {
	t.Helper()
	for {
		walks, err := walksOf(data, nil, nil)
		if err != nil {
			t.Fatal(err)
		}
		dead := false
		for _, w := range walks {
			w.rest = func(context.Context) error {
				if killed() {
					return errInterrupted
				}
				return nil
			}
			if err := w.toTheEnd(t.Context(), true); errors.Is(err, errInterrupted) {
				dead = true
				kills++
			} else if err != nil {
				t.Fatal(err)
			}
		}
		if !dead {
			return kills
		}
	}
}

func never() bool { return false }

// A service takes a few days of made-up channels in cuts of a random size: shunt
// checks, cycles and hours are under way at their ends. It makes health files
// meanwhile; then they are made again in every way that there is.
func TestHealthFiles(t *testing.T) {
	random := rand.New(rand.NewPCG(uint64(time.Now().UnixNano()), 5))
	c := driftsim.Make(driftsim.Options{Seed: 2, Kind: driftsim.Moisture})
	c.Samples = c.Samples[:60*70]
	oftenShunted(&c)
	testFile, raw, events := driftFiles(t, &c, "")
	cutBytes := strconv.Itoa(4000 + random.IntN(3000))
	t.Logf("a cut is full at %s bytes", cutBytes)
	s := serve(t, testFile, filepath.Join(t.TempDir(), "data"), "--lazy", "--cut-bytes", cutBytes)
	s.replay(testFile, raw, "--events", events)
	live := filepath.Join(s.data, reducedFolder)
	s.until("the service has made health files of all but the newest hours", func() bool {
		h := s.look().Groups[0].Health
		return h != nil && h.Error == "" && h.UpTo > driftBegin.Add(68*time.Hour).Format(time.RFC3339)
	})
	askedOf := askForHealth(t, s.data)
	if status := s.stop(); status != 0 {
		t.Fatalf("status %d: %s", status, s.output)
	}

	undisturbed := withoutHealth(t, s.data)
	makeHealth(t, undisturbed, never)
	dir := filepath.Join(undisturbed, reducedFolder)
	want := healthFiles(t, dir)
	if len(want) < 60 {
		t.Fatalf("only %d health files", len(want))
	}
	if got := healthFiles(t, live); !maps.Equal(got, want) {
		t.Errorf("those of the service are others than those of one pass behind it: %v", differing(got, want))
	}
	checkCrossed(t, undisturbed)

	t.Run("do not depend on kills", func(t *testing.T) {
		killed := withoutHealth(t, s.data)
		kills := makeHealth(t, killed, func() bool { return random.IntN(60) == 0 })
		if got := healthFiles(t, filepath.Join(killed, reducedFolder)); kills == 0 || !maps.Equal(got, want) {
			t.Errorf("after %d kills %d files, %d wanted: %v", kills, len(got), len(want), differing(got, want))
		}
		t.Logf("%d kills", kills)
	})
	t.Run("do not depend on when cuts come", func(t *testing.T) {
		data := withoutHealth(t, s.data)
		growing := filepath.Join(data, reducedFolder)
		records, err := filepath.Glob(filepath.Join(growing, "*.commit.json"))
		if err != nil {
			t.Fatal(err)
		}
		slices.Sort(records)
		away := t.TempDir()
		for _, r := range records {
			if err := os.Rename(r, filepath.Join(away, filepath.Base(r))); err != nil {
				t.Fatal(err)
			}
		}
		for _, r := range records {
			if err := os.Rename(filepath.Join(away, filepath.Base(r)), r); err != nil {
				t.Fatal(err)
			}
			if random.IntN(3) == 0 {
				makeHealth(t, data, func() bool { return random.IntN(200) == 0 })
			}
		}
		makeHealth(t, data, never)
		if got := healthFiles(t, growing); !maps.Equal(got, want) {
			t.Errorf("%v", differing(got, want))
		}
	})
	t.Run("say what is said without them", func(t *testing.T) {
		_, from, errs := glueline(t.Context(), "drift", undisturbed, "--json")
		_, without, errs2 := glueline(t.Context(), "drift", withoutHealth(t, s.data), "--json")
		if from != without || errs+errs2 != "" || !strings.Contains(from, `"up_to"`) {
			t.Errorf("from health files\n%s%s\nwithout\n%s%s", from, errs, without, errs2)
		}
		if status, out, errs := glueline(t.Context(), "verify", undisturbed); status != 0 || strings.Contains(out, "nothing of ours") {
			t.Errorf("verify: %d %s%s", status, out, errs)
		}
	})
	t.Run("are what a running service answers by", func(t *testing.T) { answeredHealth(t, undisturbed, askedOf) })
	t.Run("are named where damaged, and made again", func(t *testing.T) { damagedHealth(t, undisturbed, want) })
	t.Run("stand beside the revision that holds", func(t *testing.T) { revisedHealth(t, undisturbed, want) })
}

// oftenShunted has a channel checked by its shunt every few minutes, so that some
// check is under way at the end of a step.
func oftenShunted(c *driftsim.Channel) {
	at := slices.IndexFunc(c.Samples, func(s driftsim.Sample) bool { return !math.IsNaN(s.Shunted) })
	step := c.Samples[at].Shunted - c.Samples[at].Ratio
	for m := 90; m < len(c.Samples); m += 11 {
		c.Samples[m].Shunted = c.Samples[m].Ratio + step
	}
}

// checkCrossed makes sure that shunt checks were under way at the ends of steps,
// and that each counts as it does where nothing ends in between.
func checkCrossed(t *testing.T, data string) {
	t.Helper()
	walks, err := walksOf(data, nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	stepwise := walks[0]
	crossed := 0
	for name := range healthFiles(t, stepwise.dir) {
		group, cut, state, _ := health.Of(name)
		if state {
			continue
		}
		f, _, err := health.Read(stepwise.dir, group, cut)
		if err != nil {
			t.Fatal(err)
		}
		upTo, err := time.Parse(time.RFC3339Nano, f.UpTo)
		if err != nil {
			t.Fatal(err)
		}
		record, err := archive.Read(filepath.Join(data, rawFolder), group, cut)
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range record.Events {
			if e.Event.Event == "shunt" && upTo.Sub(e.Event.Time) < time.Minute {
				crossed++
			}
		}
	}
	// One step of all that there is.
	walks, err = walksOf(withoutHealth(t, data), nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	whole := walks[0]
	for {
		due, err := whole.gather()
		if err != nil {
			t.Fatal(err)
		}
		if !due {
			break
		}
		r, err := segment.ReadCommit(filepath.Join(whole.dir, segment.CommitRecord{Group: whole.group, Cut: uint64(len(whole.records))}.Name()))
		if errors.Is(err, fs.ErrNotExist) {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		whole.records, whole.upTo = append(whole.records, r), max(whole.upTo, lastTime(&r))
	}
	all := map[*healthWalk][]health.Channel{}
	for _, w := range []*healthWalk{whole, stepwise} {
		if w == whole {
			err = w.step(t.Context(), true)
		} else {
			err = w.toTheEnd(t.Context(), false)
		}
		if err != nil {
			t.Fatal(err)
		}
		known, err := w.pass.Health()
		if err != nil {
			t.Fatal(err)
		}
		for i := range known {
			all[w] = append(all[w], sayHealth(&known[i], time.Time{}))
		}
	}
	// Shunt checks, counts and noise are the same to the last bit. What is read beside
	// the strain is known up to the end of a step only, so that a fit may differ by less
	// than anybody measures.
	for i, c := range all[whole] {
		got := all[stepwise][i]
		if got.Moved == nil || c.Moved == nil || !(math.Abs(*got.Moved-*c.Moved) < 1e-8) || got.Says != c.Says {
			t.Errorf("%s: %s and %s, moved %v and %v", c.Channel, got.Says, c.Says, got.Moved, c.Moved)
		}
		for _, one := range []*health.Channel{&got, &c} {
			one.Moved, one.Slope, one.Certainty, one.Since, one.Ranked = nil, nil, "", "", nil
		}
		if !reflect.DeepEqual(got, c) {
			t.Errorf("%s, step by step\n%+v\nat once\n%+v", c.Channel, got, c)
		}
	}
	shunts := len(all[whole][0].Shunts)
	t.Logf("%d shunt checks; %d ended or began within a minute of the end of a step", shunts, crossed)
	if shunts < 200 || crossed == 0 {
		t.Error("too few, or none crosses a step")
	}
}

// damagedHealth has a damage named by verify; it does no more harm than that the
// file is made again. An old file is not looked at when the newest are gone on from:
// all of them are removed, as verify says, and made again.
func damagedHealth(t *testing.T, data string, want map[string]string) {
	dir := filepath.Join(data, reducedFolder)
	names := slices.Sorted(maps.Keys(want))
	newest := names[len(names)-2] // and its state
	older := names[0]
	for _, c := range []struct {
		name   string
		damage func(text []byte) []byte
		file   string
		mended bool // by going on
	}{
		{"a flipped bit of the newest", flipped, newest, true},
		{"a flipped bit of its state", flipped, strings.Replace(newest, ".json", ".state.gz", 1), true},
		{"the newest cut off", func(b []byte) []byte { return b[:len(b)/2] }, newest, true},
		{"nothing in the newest", func([]byte) []byte { return nil }, newest, true},
		{"a flipped bit of an old one", flipped, older, false},
	} {
		path := filepath.Join(dir, c.file)
		if err := os.WriteFile(path, c.damage([]byte(want[c.file])), 0o600); err != nil {
			t.Fatal(err)
		}
		status, out, _ := glueline(t.Context(), "verify", data)
		if status == 0 || !strings.Contains(out, c.file) || !strings.Contains(out, "health file") {
			t.Errorf("%s: verify says %d\n%s", c.name, status, out)
		}
		if status, _, errs := glueline(t.Context(), "drift", data); status != 0 {
			t.Errorf("%s: drift says %d %s", c.name, status, errs)
		}
		makeHealth(t, data, never)
		if got := healthFiles(t, dir); maps.Equal(got, want) != c.mended {
			t.Errorf("%s: mended %v: %v", c.name, !c.mended, differing(got, want))
		}
		if !c.mended {
			if !strings.Contains(out, "remove all health files of this group") {
				t.Errorf("%s: verify does not say what to do:\n%s", c.name, out)
			}
			forgetHealth(t, dir)
			makeHealth(t, data, never)
			if got := healthFiles(t, dir); !maps.Equal(got, want) {
				t.Errorf("%s: %v", c.name, differing(got, want))
			}
		}
		if status, out, _ := glueline(t.Context(), "verify", data); status != 0 {
			t.Errorf("%s: afterwards verify says %d\n%s", c.name, status, out)
		}
	}
}

// revisedHealth has another revision hold: it has health files of its own, by its
// constants and its test file, and those of the first one stay.
func revisedHealth(t *testing.T, data string, want map[string]string) {
	kept, err := filepath.Glob(filepath.Join(data, keptFolder, "*", keptName))
	if err != nil || len(kept) != 1 {
		t.Fatal(kept, err)
	}
	// Half the gauge factor is twice the strain; and another curve.
	text := read(t, kept[0])
	at := strings.Index(text, "gauge-factor: ")
	factor := text[at : at+strings.IndexByte(text[at:], '}')]
	text = strings.Replace(text, factor, "gauge-factor: 1", 1)
	text = strings.Replace(text, "coefficient: 9000 MPa", "coefficient: 900 MPa", 1)
	changed := write(t, t.TempDir(), "changed.yaml", text)
	status, out, errs := glueline(t.Context(), "rereduce", data, "--calibration", changed, "--who", "M. Arkle", "--why", "a trial")
	if name, err := currentRevision(data); status != 0 || err != nil || name != "r2" {
		t.Fatalf("%s holds (%v): %d %s%s", name, err, status, out, errs)
	}
	makeHealth(t, data, never)
	if got := healthFiles(t, filepath.Join(data, reducedFolder)); !maps.Equal(got, want) {
		t.Errorf("those of r1 changed: %v", differing(got, want))
	}
	revised := healthFiles(t, filepath.Join(data, "r2"))
	newest := slices.Max(slices.Collect(maps.Keys(want)))
	newest = strings.Replace(newest, ".state.gz", ".json", 1)
	if len(revised) != len(want) {
		t.Errorf("%d files, want %d", len(revised), len(want))
	}
	var first, second *health.File
	if first, err = health.Decode([]byte(want[newest])); err == nil {
		second, err = health.Decode([]byte(revised[newest]))
	}
	if err != nil {
		t.Fatal(err)
	}
	if first.Declared == "" || second.Declared == first.Declared {
		t.Errorf("test files %q and %q", first.Declared, second.Declared)
	}
	a, b := first.Channels[0], second.Channels[0]
	if b.Damage == nil || a.Damage == nil || *b.Damage < 100**a.Damage || b.Largest < 1.5*a.Largest {
		t.Errorf("damage %v and %v, largest range %v and %v", a.Damage, b.Damage, a.Largest, b.Largest)
	}
	if status, out, errs := glueline(t.Context(), "verify", data); status != 0 || strings.Contains(out, "nothing of ours") {
		t.Errorf("verify: %d %s%s", status, out, errs)
	}
	// A folder of a revision is asked for by itself.
	for _, name := range []string{reducedFolder, "r2"} {
		dir := filepath.Join(data, name)
		said := driftOf(t, dir)
		if status, _, errs := glueline(t.Context(), "drift", dir); status != 0 || len(said) == 0 {
			t.Errorf("%s: %d %s", name, status, errs)
		}
		if d := said["web"].Damage; d == nil || (name == "r2") != (*d > 100**a.Damage) {
			t.Errorf("%s: damage %v", name, d)
		}
	}
}

func differing(got, want map[string]string) (names []string) {
	for name := range want {
		if got[name] != want[name] {
			names = append(names, name)
		}
	}
	for name := range got {
		if _, ok := want[name]; !ok {
			names = append(names, name)
		}
	}
	slices.Sort(names)
	return names
}

func flipped(text []byte) []byte {
	other := bytes.Clone(text)
	other[len(other)/3] ^= 4
	return other
}
