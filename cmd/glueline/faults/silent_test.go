package faults

import (
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"glueline/pipeline/journal/brokertest"
)

// While the journal does not answer, the status does, with what is known without it,
// and says so; afterwards it tells of the journal again.
func TestStatusWhileTheJournalIsSilent(t *testing.T) {
	parallel(t)
	e := brokertest.Start(t)
	testFile, _ := benchFile(t)
	data := filepath.Join(t.TempDir(), "data")
	s := start(t, options{testFile: testFile, data: data, args: []string{"--nats", e.URL(), "--one-replica"}})
	s.ready()
	status := func() (asJSON, asText string) {
		t.Helper()
		body := must(s.get("/status"))(t)
		said, err := exec.Command(must(glueline())(t), "status", "--data", data).CombinedOutput()
		if err != nil {
			t.Fatalf("%v: %s", err, said)
		}
		return string(body), strings.Join(strings.Fields(string(said)), " ")
	}
	const silent = "the journal of group main does not answer; what is known without it stands"
	if asJSON, asText := status(); !strings.Contains(asJSON, `"journal":{`) || strings.Contains(asText, "does not answer") {
		t.Errorf("while it answers: %s\n%s", asJSON, asText)
	}
	e.Signal(syscall.SIGSTOP)
	asJSON, asText := status()
	e.Signal(syscall.SIGCONT)
	if strings.Contains(asJSON, `"journal":{`) || !strings.Contains(asJSON, `"group":"main"`) || !strings.Contains(asText, silent) || !strings.Contains(asText, "bench frame, served since") {
		t.Errorf("while it is silent: %s\n%s", asJSON, asText)
	}
	s.until("the journal answers again", func() bool {
		body, err := s.get("/status")
		return err == nil && strings.Count(string(body), `"journal":{`) == 2
	})
	s.stop()
}
