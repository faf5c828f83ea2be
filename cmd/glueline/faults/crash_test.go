package faults

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"glueline/pipeline/group"
	"glueline/pipeline/journal/brokertest"
	"glueline/pipeline/worker"
	"glueline/sinks/archive"
	"glueline/sinks/disk"
	"glueline/sinks/segment"
)

// soakVariable is how often the crash test kills; `make soak` sets it.
const soakVariable = "GLUELINE_SOAK"

// phase is where in the work a process is killed.
type phase struct {
	name  string // for people
	fault string // of GLUELINE_TEST_FAULT; "" is any instant, from outside
	most  int    // at the latest at this one
}

var phases = []phase{
	{"writing reduced", "reduced-write", 200},
	{"writing raw", "raw-write", 200},
	{"before the sync, reduced", "reduced-sync", 9},
	{"before the sync, raw", "raw-sync", 9},
	{"between sync and rename, reduced", "reduced-rename", 9},
	{"between sync and rename, raw", "raw-rename", 9}, // the first of a cut is between reduced and raw record
	{"between rename and sync of the names", "reduced-names", 9},
	{"writing the reduced commit record", "reduced-record-write", 5},
	{"before the reduced commit record", "reduced-link", 5},
	{"between reduced and raw record", "raw-record-create", 5},
	{"before the raw commit record", "raw-link", 5},
	{"behind the raw commit record", "raw-record-remove", 5},
	{"any instant", "", 0},
}

var trimming = phase{"while trimming", "trim", 5}

// kills runs a service that is killed again and again under load, and prints
// in which phases. The service that is left is not running.
func kills(t *testing.T, o options, g func(url string) *generator, in []phase, times int) *generator {
	t.Helper()
	port := brokertest.FreePort(t)
	o.args = append(o.args, "--listen", fmt.Sprintf("127.0.0.1:%d", port))
	random := rand.New(rand.NewPCG(1, uint64(times)))
	histogram := map[string]int{}
	var load *generator
	for i := range times {
		p := in[i%len(in)]
		o.fault = ""
		if p.fault != "" {
			o.fault = fmt.Sprintf("die:%s:%d", p.fault, 1+random.IntN(p.most))
		}
		s := start(t, o)
		if load == nil {
			s.ready()
			load = g(fmt.Sprintf("nats://127.0.0.1:%d", port))
		}
		if p.fault == "" {
			time.Sleep(time.Duration(random.IntN(1500)) * time.Millisecond)
			if !s.alive() {
				t.Fatalf("kill %d: it ended by itself\n%s", i, s.said)
			}
			s.kill()
		} else if code := s.exits(); code != -1 { // -1: by a signal
			t.Fatalf("kill %d, %s: it ended by itself with status %d\n%s", i, p.name, code, s.said)
		}
		histogram[p.name]++
	}
	for _, name := range slices.Sorted(maps.Keys(histogram)) {
		t.Logf("killed %3d times %s", histogram[name], name)
	}
	s := start(t, o.without())
	s.ready()
	load.stop()
	s.cut()
	s.stop()
	return load
}

func (o options) without() options {
	o.fault = ""
	return o
}

// kill -9 under load, at named phases and any instant. Afterwards every frame
// that was acknowledged is in exactly one segment, the files are those that the
// whole journal gives in an empty folder, and those that the archive gives.
func TestKilledAtAnyInstant(t *testing.T) {
	parallel(t)
	times := 20
	if text := os.Getenv(soakVariable); text != "" {
		times = must(strconv.Atoi(text))(t)
	}
	testFile, plans := benchFile(t)
	o := options{testFile: testFile, data: filepath.Join(t.TempDir(), "data"), args: []string{"--keep-journal"}}
	load := kills(t, o, loadOf(t, testFile), phases, times)
	checkAcknowledged(t, o.data, plans, load.acknowledged())
	fresh := again(t, o)
	files := sameFiles(t, filepath.Join(o.data, "raw"), filepath.Join(fresh, "raw"))
	files += sameFiles(t, filepath.Join(o.data, "r1"), filepath.Join(fresh, "r1"))
	t.Logf("%d files are those of the whole journal", files)
	checkRecomputed(t, o.data, plans)
}

// The same while the journal is trimmed behind every cut.
func TestKilledWhileTrimming(t *testing.T) {
	parallel(t)
	times := 4
	if text := os.Getenv(soakVariable); text != "" {
		times = must(strconv.Atoi(text))(t) / 5
	}
	testFile, plans := benchFile(t)
	o := options{testFile: testFile, data: filepath.Join(t.TempDir(), "data")}
	load := kills(t, o, loadOf(t, testFile), []phase{trimming}, times)
	checkAcknowledged(t, o.data, plans, load.acknowledged())
	checkRecomputed(t, o.data, plans)
}

func loadOf(t *testing.T, testFile string) func(url string) *generator {
	return func(url string) *generator { return generate(t, loadTo(t, url, testFile, 5*time.Millisecond)) }
}

func loadTo(t *testing.T, url, testFile string, pause time.Duration) load {
	return load{URL: url, TestFile: testFile, Boot: "one", Log: filepath.Join(t.TempDir(), "acknowledged"), Pause: pause}
}

// archived reads the frames of a raw archive: how often each is there, and its
// hash.
func archived(t testing.TB, raw string, plans []*group.Plan) (hashes map[string]string, rows int) {
	t.Helper()
	hashes = map[string]string{}
	for _, p := range plans {
		for _, cut := range must(archive.Cuts(raw, p.Name))(t) {
			record := must(archive.Read(raw, p.Name, cut))(t)
			r := must(archive.Open(raw, record))(t)
			for {
				item, err := r.Next()
				if errors.Is(err, io.EOF) {
					break
				}
				if err != nil {
					t.Fatalf("cut %d of group %s: %v", cut, p.Name, err)
				}
				if item.Frame == nil {
					continue
				}
				key := fmt.Sprintf("%s %s %d", item.Frame.Source, item.Frame.Boot, item.Frame.Number)
				if _, twice := hashes[key]; twice {
					t.Fatalf("%s is there twice", key)
				}
				hashes[key] = hashOf(item.Frame)
				rows += item.Frame.Rows()
			}
			if err := r.Close(); err != nil {
				t.Fatal(err)
			}
		}
	}
	return hashes, rows
}

// checkAcknowledged holds what was acknowledged against the raw archive, as we
// and as another Arrow reader read it.
func checkAcknowledged(t testing.TB, data string, plans []*group.Plan, acknowledged map[string]string) {
	t.Helper()
	raw := filepath.Join(data, "raw")
	ours, _ := archived(t, raw, plans)
	theirs := archivedByNode(t, raw)
	if len(acknowledged) == 0 {
		t.Fatal("nothing was acknowledged")
	}
	for name, read := range map[string]map[string]string{"our reader": ours, "the other reader": theirs} {
		missing := 0
		for frame, hash := range acknowledged {
			switch got, there := read[frame]; {
			case !there:
				if missing++; missing < 5 {
					t.Errorf("%s: acknowledged frame %q is missing", name, frame)
				}
			case got != hash:
				t.Errorf("%s: frame %q has other readings", name, frame)
			}
		}
		if missing > 0 {
			t.Errorf("%s: %d of %d acknowledged frames are missing", name, missing, len(acknowledged))
		}
	}
	if !maps.Equal(ours, theirs) {
		t.Errorf("we read %d frames, the other reader %d, or others", len(ours), len(theirs))
	}
	t.Logf("%d frames acknowledged, %d in the archive, each once", len(acknowledged), len(ours))
}

const scripts = "../../../testdata/js"

func archivedByNode(t testing.TB, raw string) map[string]string {
	t.Helper()
	if _, err := os.Stat(filepath.Join(scripts, "node_modules", "apache-arrow", "package.json")); err != nil {
		t.Fatalf("the apache-arrow package is missing (%v); run: npm ci --prefix testdata/js", err)
	}
	node := exec.Command("node", filepath.Join(scripts, "frames-of-archive.mjs"), raw)
	var said bytes.Buffer
	node.Stderr = &said
	text, err := node.Output()
	if err != nil {
		t.Fatalf("node: %v\n%s", err, said.String())
	}
	all := map[string]string{}
	for line := range strings.Lines(strings.TrimSpace(string(text))) {
		line = strings.TrimSpace(line)
		at := strings.LastIndexByte(line, ' ')
		if _, twice := all[line[:at]]; twice {
			t.Errorf("%s is there twice for the other reader", line[:at])
		}
		all[line[:at]] = line[at+1:]
	}
	return all
}

// checkRecomputed makes the reduced files again from the raw archive, each cut
// alone, and compares all of them; and so does verify, which looks at all else.
func checkRecomputed(t testing.TB, data string, plans []*group.Plan) {
	t.Helper()
	raw, dir := filepath.Join(data, "raw"), t.TempDir()
	for _, p := range plans {
		var before json.RawMessage
		for _, cut := range must(archive.Cuts(raw, p.Name))(t) {
			record := must(archive.Read(raw, p.Name, cut))(t)
			r := must(archive.Open(raw, record))(t)
			sink := segment.NewSink(disk.At(dir), record.Test, p, segment.Program{Version: record.Program, Architecture: record.Architecture})
			if err := sink.Resume(cut); err != nil {
				t.Fatal(err)
			}
			if err := worker.Recompute(p, before, r.Next, []worker.Sink{sink}); err != nil {
				t.Fatal(err)
			}
			if err := r.Close(); err != nil {
				t.Fatal(err)
			}
			before = record.State
		}
	}
	t.Logf("%d reduced files made again from the archive", sameFiles(t, filepath.Join(data, "r1"), dir))
	verify := exec.Command(must(glueline())(t), "verify", data, "--recompute")
	if said, err := verify.CombinedOutput(); err != nil {
		t.Errorf("glueline verify --recompute: %v\n%s", err, said)
	}
}
