package faults

import (
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"glueline/pipeline/journal/brokertest"
)

// listening adds an embedded broker's port to the options, and returns its URL.
func (o *options) listening(t testing.TB) string {
	t.Helper()
	port := brokertest.FreePort(t)
	o.args = append(o.args, "--listen", fmt.Sprintf("127.0.0.1:%d", port))
	return fmt.Sprintf("nats://127.0.0.1:%d", port)
}

// endAndCheck ends the load and the service, and checks what was acknowledged,
// the files against those of the whole journal, and the archive.
func (o options) endAndCheck(t testing.TB, s *service, load *generator) {
	t.Helper()
	plans := must(plansOf(o.testFile))(t)
	load.stop()
	s.cut()
	s.stop()
	checkAcknowledged(t, o.data, plans, load.acknowledged())
	fresh := again(t, o)
	for _, folder := range []string{"raw", "r1"} {
		sameFiles(t, filepath.Join(o.data, folder), filepath.Join(fresh, folder))
	}
	checkRecomputed(t, o.data, plans)
}

// A disk whose syncs take long: the service falls behind, says by how much, and
// loses nothing.
func TestSlowDisk(t *testing.T) {
	parallel(t)
	testFile, _ := benchFile(t)
	o := options{testFile: testFile, data: filepath.Join(t.TempDir(), "data"), args: []string{"--keep-journal"}, fault: "slow:reduced-sync:60ms,slow:raw-sync:60ms"}
	url := o.listening(t)
	s := start(t, o)
	s.ready()
	load := generate(t, loadTo(t, url, testFile, time.Millisecond))
	s.until("it falls behind", func() bool {
		groups, err := s.status()
		return err == nil && slices.ContainsFunc(groups, func(g groupStatus) bool {
			return g.Progress.Cuts > 1 && g.Journal.Last > g.Progress.Sequence+50
		})
	})
	o.endAndCheck(t, s, load)
}

// Each step of a commit fails once: the service says so and goes on from the
// last commit.
func TestStepsOfACommitFail(t *testing.T) {
	parallel(t)
	steps := []string{
		"reduced-create:3", "reduced-write:40", "reduced-sync:3", "reduced-rename:4", "reduced-names:5", "reduced-record-sync:3", "reduced-link:4",
		"raw-create:9", "raw-write:90", "raw-sync:9", "raw-rename:9", "raw-names:10", "raw-record-write:7", "raw-link:8",
	}
	testFile, _ := benchFile(t)
	o := options{testFile: testFile, data: filepath.Join(t.TempDir(), "data"), args: []string{"--keep-journal"}, fault: "fail:" + strings.Join(steps, ",fail:")}
	url := o.listening(t)
	s := start(t, o)
	s.ready()
	load := loadOf(t, testFile)(url)
	const why = "made to fail by GLUELINE_TEST_FAULT"
	s.until("every step has failed once", func() bool { return strings.Count(s.said.String(), why) >= len(steps) })
	s.moves()
	o.endAndCheck(t, s, load)
}
