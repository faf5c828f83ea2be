package main

import (
	"maps"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"glueline/pipeline/drift/driftsim"
	"glueline/sinks/health"
)

// hallFiles are driftFiles with the load and the humidity read by an instrument of
// another group, the hall.
func hallFiles(t *testing.T, c *driftsim.Channel) (testFile string, raws []string, events string) {
	t.Helper()
	testFile, raw, events := driftFiles(t, c, "")
	text := strings.NewReplacer("node/L1", "hall/L1", "node/H1", "hall/H1",
		"inputs: {L1: {unit: N}, T1: {unit: degC}, T2: {unit: degC}, H1: {unit: \"%\"}, UX", "inputs: {T1: {unit: degC}, T2: {unit: degC}, UX",
		"\nlots:", "\n  hall: {group: hall, rate: 0.05 Hz, unit: V/V, clock-tolerance: 1 s, inputs: {L1: {unit: N}, H1: {unit: \"%\"}}}\nlots:").Replace(read(t, testFile))
	dir := t.TempDir()
	var node, hall strings.Builder
	for line := range strings.Lines(read(t, raw)) {
		cells := strings.Split(strings.TrimSpace(line), ",")
		if len(cells) == 1 {
			node.WriteString("# source: node\n")
			hall.WriteString("# source: hall\n")
			continue
		}
		node.WriteString(strings.Join(slices.Delete(slices.Delete(slices.Clone(cells), 7, 8), 4, 5), ",") + "\n")
		hall.WriteString(cells[0] + "," + cells[4] + "," + cells[7] + "\n")
	}
	return write(t, dir, "drift.yaml", text), []string{write(t, dir, "node.csv", node.String()), write(t, dir, "hall.csv", hall.String())}, events
}

// Strain is read against a load of another group, whose cuts come when they come:
// before those of the strain, behind them, one by one or all at once, with kills in
// between. The health files are the same, to the byte.
func TestHealthFilesDoNotDependOnWhichGroupIsFirst(t *testing.T) {
	random := rand.New(rand.NewPCG(uint64(time.Now().UnixNano()), 7))
	c := driftsim.Make(driftsim.Options{Seed: 3, Kind: driftsim.Healthy})
	c.Samples = c.Samples[:60*26]
	testFile, raws, events := hallFiles(t, &c)
	s := serve(t, testFile, filepath.Join(t.TempDir(), "data"), "--lazy", "--cut-bytes", strconv.Itoa(3000+random.IntN(2000)))
	s.command("replay", testFile, raws[0], raws[1], "--events", events, "--nats", s.url, "--quiet")
	const hours = 24
	s.until("the service has made the health files of both groups", func() bool {
		st := s.look()
		for _, g := range st.Groups {
			if g.Health == nil || g.Health.Error != "" || g.Health.UpTo < driftBegin.Add(hours*time.Hour).Format(time.RFC3339) {
				return false
			}
		}
		return len(st.Groups) == 2
	})
	if status := s.stop(); status != 0 {
		t.Fatalf("status %d: %s", status, s.output)
	}
	undisturbed := withoutHealth(t, s.data)
	makeHealth(t, undisturbed, never)
	want := healthFiles(t, filepath.Join(undisturbed, reducedFolder))
	if got := healthFiles(t, filepath.Join(s.data, reducedFolder)); len(got) < hours || !maps.Equal(got, want) {
		t.Errorf("%d files of the service, others than those of one pass behind it: %v", len(got), differing(got, want))
	}
	f, _, _, _, err := health.Newest(filepath.Join(undisturbed, reducedFolder), "main")
	if err != nil || f == nil || f.Channels[0].Slope == nil && f.Channels[0].LoadCycles == 0 {
		t.Fatalf("the load of the other group is not read: %+v, %v", f, err)
	}

	// orders say which group's cut comes next, of those that are left.
	orders := map[string]func(left map[string][]string) string{
		"the load comes last":  func(map[string][]string) string { return "main" },
		"the load comes first": func(map[string][]string) string { return "hall" },
		"as it comes": func(left map[string][]string) string {
			if random.IntN(len(left["main"])+len(left["hall"])) < len(left["hall"]) {
				return "hall"
			}
			return "main"
		},
	}
	for name, next := range orders {
		t.Run(name, func(t *testing.T) {
			data := withoutHealth(t, s.data)
			dir, away := filepath.Join(data, reducedFolder), t.TempDir()
			left := map[string][]string{}
			for _, group := range []string{"main", "hall"} {
				records, err := filepath.Glob(filepath.Join(dir, group+".*.commit.json"))
				if err != nil || len(records) < 10 {
					t.Fatalf("%d cuts of %s, %v", len(records), group, err)
				}
				slices.Sort(records)
				for _, r := range records {
					move(t, r, filepath.Join(away, filepath.Base(r)))
				}
				left[group] = records
			}
			for len(left["main"])+len(left["hall"]) > 0 {
				group := next(left)
				if len(left[group]) == 0 {
					group = map[string]string{"main": "hall", "hall": "main"}[group]
				}
				r := left[group][0]
				left[group] = left[group][1:]
				move(t, filepath.Join(away, filepath.Base(r)), r)
				if random.IntN(4) == 0 {
					makeHealth(t, data, func() bool { return random.IntN(200) == 0 })
				}
			}
			makeHealth(t, data, never)
			if got := healthFiles(t, dir); !maps.Equal(got, want) {
				t.Errorf("%v", differing(got, want))
			}
		})
	}
}

func move(t *testing.T, from, to string) {
	t.Helper()
	if err := os.Rename(from, to); err != nil {
		t.Fatal(err)
	}
}

// A group that is waited for is named once it has been for longer than cuts differ.
func TestHealthSaysForWhomItWaits(t *testing.T) {
	begin := time.Date(2026, 5, 4, 8, 0, 0, 0, time.UTC)
	w := &healthWalk{waits: "group hall, of which nothing is there yet"}
	h := new(healthStatus)
	h.waitsFor(w, begin)
	h.waitsFor(w, begin.Add(time.Hour)) // it is asked again and again
	if got := h.warning("main", begin.Add(119*time.Minute)); got != "" {
		t.Error(got)
	}
	wants(t, h.warning("main", begin.Add(3*time.Hour)), "health of group main stands still", "group hall, of which nothing is there yet", "glueline drift")
	w.wrote = new(health.File)
	h.waitsFor(w, begin.Add(2*time.Hour)) // a file was made meanwhile
	if got := h.warning("main", begin.Add(3*time.Hour)); got != "" {
		t.Error(got)
	}
	w.waits = ""
	h.waitsFor(w, begin.Add(3*time.Hour))
	if got := h.warning("main", begin.Add(30*time.Hour)); got != "" || !h.Since.IsZero() {
		t.Error(got)
	}
}
