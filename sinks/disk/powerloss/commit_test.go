package powerloss_test

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"glueline/pipeline/frame"
	"glueline/pipeline/group"
	"glueline/pipeline/journal"
	"glueline/pipeline/testfile"
	"glueline/pipeline/worker"
	"glueline/sinks/archive"
	"glueline/sinks/disk"
	"glueline/sinks/disk/powerloss"
	"glueline/sinks/segment"
)

// article has one group: the logger's temperature is that of the node's channel.
const article = `
test: {name: bench}
sources:
  node: {rate: 100 Hz, unit: mV/V, range: 3 mV/V, clock-tolerance: 20 ms}
  logger: {rate: 10 Hz, unit: degC, clock-tolerance: 20 ms}
lots: {l: {resistance: 350 ohm, gauge-factor: 2.1, transverse-sensitivity: 0 %}}
materials: {steel: {young: 200 GPa, poisson: 0.3, source: invented}}
gauges: {g: {lot: l}}
positions: {p: {material: steel}}
wiring: [{position: p, gauge: g, input: node/1}]
temperatures: {skin: {input: logger/1}}
channels: {p: {bridge: quarter_3wire, transverse: none, leads: {resistance: 0.4 ohm}, temperature: skin}}
`

// journalOf gives messages from a place on, then an error.
type journalOf struct {
	messages []journal.Message
	next     int
}

var errEnd = errors.New("no more messages")

func (j *journalOf) Next(ctx context.Context) (journal.Message, error) {
	if err := ctx.Err(); err != nil {
		return journal.Message{}, err
	}
	if j.next == len(j.messages) {
		return journal.Message{}, errEnd
	}
	j.next++
	return j.messages[j.next-1], nil
}

func bench(t *testing.T) (*group.Plan, []journal.Message) {
	t.Helper()
	path := filepath.Join(t.TempDir(), "bench.yaml")
	if err := os.WriteFile(path, []byte(article), 0o600); err != nil {
		t.Fatal(err)
	}
	test, err := testfile.Load(path)
	if err != nil {
		t.Fatal(err)
	}
	plans, err := group.Plans(test)
	if err != nil {
		t.Fatal(err)
	}
	plan := plans[0]
	if len(plans) != 1 || len(plan.Sources()) != 2 {
		t.Fatalf("%d groups, %d sources in the first", len(plans), len(plan.Sources()))
	}
	units := map[string]string{"node": "mV/V", "logger": "degC"}
	var all []journal.Message
	at := time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC).UnixNano()
	for n := range uint64(6) {
		for _, source := range plan.Sources() {
			f := &frame.Frame{Source: source, Boot: "b", Number: n, Time: []int64{at, at + 1e7}, Columns: []frame.Column{{Name: "1", Unit: units[source], Float: []float64{float64(n) / 16, 0.25}}}}
			at += 2e7
			payload, err := frame.EncodeWire(nil, f)
			if err != nil {
				t.Fatal(err)
			}
			all = append(all, journal.Message{Seq: uint64(len(all) + 1), Kind: journal.FrameMessage, Source: source, Data: payload, Header: map[string][]string{
				frame.HeaderSource: {source}, frame.HeaderBoot: {"b"}, frame.HeaderFrame: {strconv.FormatUint(n, 10)},
			}})
		}
		if n%3 == 2 {
			all = append(all, journal.Message{Seq: uint64(len(all) + 1), Kind: journal.EventMessage, Data: []byte(`{"event":"cut","time":"2026-03-01T08:00:00Z"}`),
				Header: map[string][]string{journal.HeaderEventID: {fmt.Sprint("cut", n)}}})
		}
	}
	return plan, all
}

var program = segment.Program{Version: "test", Architecture: "any"}

// work runs the worker over a disk from its newest raw record on, as serve
// does, and returns the cuts whose durability was reported.
func work(plan *group.Plan, messages []journal.Message, on *powerloss.Disk) (cuts int, err error) {
	return workIn(plan, messages, on, on.Folder("raw"), on.Folder("reduced"))
}

func workIn(plan *group.Plan, messages []journal.Message, on *powerloss.Disk, raw, reducedIn disk.Folder) (cuts int, err error) {
	newest, err := newest(on)
	if err != nil {
		return 0, err
	}
	reduced := segment.NewSink(reducedIn, "bench", plan, program)
	live := &worker.Live{Plan: plan, Identity: "me", Sinks: []worker.Sink{reduced}, Log: slog.New(slog.DiscardHandler)}
	in := &journalOf{messages: messages}
	if newest != nil {
		live.State = newest.State
		in.next = int(newest.Journal.Last)
		if err := reduced.Resume(newest.Cut + 1); err != nil {
			return 0, err
		}
	}
	if live.Archive, err = archive.NewSink(raw, "bench", plan.Name, program, newest); err != nil {
		return 0, err
	}
	live.Committed = func(worker.End) { cuts++ }
	err = live.Run(context.Background(), in)
	if errors.Is(err, errEnd) {
		err = nil
	}
	return cuts, err
}

// newest reads the newest raw record of a disk.
func newest(on *powerloss.Disk) (*archive.Record, error) {
	var found *archive.Record
	for name, text := range on.Files("raw") {
		if strings.HasPrefix(name, ".") || !strings.HasSuffix(name, ".commit.json") {
			continue
		}
		r := new(archive.Record)
		if err := json.Unmarshal(text, r); err != nil {
			return nil, fmt.Errorf("raw record %s: %w", name, err)
		}
		if found == nil || r.Cut > found.Cut {
			found = r
		}
	}
	return found, nil
}

// sound says what is wrong with a disk on which cuts were reported durable: a
// record whose files are not what it says, a raw record without its reduced
// one, fewer raw records than reported.
func sound(on *powerloss.Disk, cuts int) error {
	counts := map[string]int{}
	for _, folder := range []string{"raw", "reduced"} {
		files := on.Files(folder)
		for name, text := range files {
			if strings.HasPrefix(name, ".") || !strings.HasSuffix(name, ".commit.json") {
				continue
			}
			counts[folder]++
			var record struct{ Files []segment.File }
			if err := json.Unmarshal(text, &record); err != nil {
				return fmt.Errorf("%s/%s: %w", folder, name, err)
			}
			for _, f := range record.Files {
				if sum := sha256.Sum256(files[f.Name]); hex.EncodeToString(sum[:]) != f.SHA256 {
					return fmt.Errorf("%s/%s: %d bytes of %d", folder, f.Name, len(files[f.Name]), f.Bytes)
				}
			}
			if folder == "raw" && on.Files("reduced")[name] == nil {
				return fmt.Errorf("raw record %s has no reduced one", name)
			}
		}
	}
	if counts["raw"] < cuts {
		return fmt.Errorf("%d of %d cuts are left", counts["raw"], cuts)
	}
	return nil
}

// named are the files of a disk that have their names.
func named(on *powerloss.Disk) map[string][]byte {
	all := map[string][]byte{}
	for _, folder := range []string{"raw", "reduced"} {
		for name, data := range on.Files(folder) {
			if !strings.HasPrefix(name, ".") {
				all[folder+"/"+name] = data
			}
		}
	}
	return all
}

// digest is that of the named files, in order.
func digest(on *powerloss.Disk) [32]byte {
	all := named(on)
	h := sha256.New()
	for _, name := range slices.Sorted(maps.Keys(all)) {
		fmt.Fprintf(h, "%s %d\n", name, len(all[name]))
		h.Write(all[name])
	}
	return [32]byte(h.Sum(nil))
}

// The power goes ahead of every step of two commits. Whatever of the unsynced
// is left, every cut that was reported durable is there and whole, and the
// worker goes on to the same bytes as if nothing had happened.
func TestPowerLossAtEveryStep(t *testing.T) {
	plan, messages := bench(t)
	undisturbed := new(powerloss.Disk)
	if cuts, err := work(plan, messages, undisturbed); err != nil || cuts != 2 {
		t.Fatalf("%d cuts, %v", cuts, err)
	}
	want := named(undisturbed)
	ways, seen := 0, map[[32]byte]bool{}
	for step := 1; step <= undisturbed.Steps+1; step++ {
		cut := &powerloss.Disk{OffAt: step}
		cuts, err := work(plan, messages, cut)
		if step <= undisturbed.Steps && !errors.Is(err, powerloss.ErrOff) && cut.Steps+1 < step {
			t.Fatalf("step %d: %v", step, err)
		}
		for _, left := range cut.Survivors() {
			ways++
			if err := sound(left, cuts); err != nil {
				t.Fatalf("power off ahead of step %d: %v", step, err)
			}
			state := digest(left)
			if seen[state] {
				continue
			}
			seen[state] = true
			if _, err := work(plan, messages, left); err != nil {
				t.Fatalf("going on after step %d: %v", step, err)
			}
			got := named(left)
			for name, data := range want {
				if !bytes.Equal(got[name], data) {
					t.Fatalf("going on after step %d: %s is another file", step, name)
				}
			}
			if len(got) != len(want) {
				t.Fatalf("going on after step %d: %d files, want %d", step, len(got), len(want))
			}
		}
	}
	t.Logf("%d steps, %d disks, %d of them different", undisturbed.Steps, ways, len(seen))
	if len(seen) < 10 {
		t.Error("too few to prove anything")
	}
}

// No sync is for nothing: without any one of them there is a step at which the
// power takes what was reported durable.
func TestEverySyncIsNeeded(t *testing.T) {
	plan, messages := bench(t)
	undisturbed := new(powerloss.Disk)
	if _, err := work(plan, messages, undisturbed); err != nil {
		t.Fatal(err)
	}
	if len(undisturbed.Syncs) < 2*2*4 { // two cuts in two folders: a file, its name, a record, its name
		t.Fatalf("only %d syncs: %v", len(undisturbed.Syncs), undisturbed.Syncs)
	}
	for i, sync := range undisturbed.Syncs {
		noticed := false
		for step := sync.Step; step <= undisturbed.Steps+1 && !noticed; step++ {
			cut := &powerloss.Disk{OffAt: step, Skip: i + 1}
			cuts, _ := work(plan, messages, cut) // the error is that the power went
			for _, left := range cut.Survivors() {
				if sound(left, cuts) != nil {
					noticed = true
					break
				}
			}
		}
		if !noticed {
			t.Errorf("the sync of %s could be left out", sync.What)
		}
	}
}

// Every step of the sinks fails now and then: the worker is started again and
// again, and in the end nothing is lost, doubled or different.
func TestSinksThatFailAtRandom(t *testing.T) {
	plan, messages := bench(t)
	undisturbed := new(powerloss.Disk)
	if _, err := work(plan, messages, undisturbed); err != nil {
		t.Fatal(err)
	}
	want := named(undisturbed)
	failed := errors.New("it fails at random")
	failures := map[disk.Step]int{}
	for seed := range uint64(30) {
		random := rand.New(rand.NewPCG(7, seed))
		flaky := func(f disk.Folder) disk.Folder {
			return disk.Watched(f, func(step disk.Step, _ string) error {
				if random.IntN(40) == 0 {
					failures[step]++
					return failed
				}
				return nil
			})
		}
		on := new(powerloss.Disk)
		starts := 0
		// A cut whose last step failed may stand all the same.
		for last := (*archive.Record)(nil); last == nil || last.Cut < 1; starts++ {
			if starts == 1000 {
				t.Fatalf("seed %d: it does not come to an end", seed)
			}
			_, err := workIn(plan, messages, on, flaky(on.Folder("raw")), flaky(on.Folder("reduced")))
			if err != nil && !errors.Is(err, failed) {
				t.Fatalf("seed %d: %v", seed, err)
			}
			if last, err = newest(on); err != nil {
				t.Fatal(err)
			}
		}
		got := named(on)
		for name, data := range want {
			if !bytes.Equal(got[name], data) {
				t.Fatalf("seed %d: %s is another file after %d starts", seed, name, starts)
			}
		}
		if len(got) != len(want) {
			t.Fatalf("seed %d: %d files, want %d", seed, len(got), len(want))
		}
	}
	for _, step := range []disk.Step{disk.Create, disk.Write, disk.Sync, disk.Rename, disk.Names, disk.Link} {
		if failures[step] == 0 {
			t.Errorf("%s has never failed", step)
		}
	}
	t.Logf("failures: %v", failures)
}
