//go:build unix

package journal

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"os/signal"
	"strings"
	"syscall"
	"testing"
	"time"

	"glueline/pipeline/frame"
)

// smallDisk names the environment variable that makes the test program one
// that runs a journal in a folder whose files cannot grow as they should.
const smallDisk = "GLUELINE_TEST_SMALL_DISK"

func init() { roles[smallDisk] = onASmallDisk }

// onASmallDisk publishes until the store fails, and prints how many frames
// were acknowledged and whether Watch saw it. The limit on the size of files
// fails a write as a full disk does, and needs no rights.
func onASmallDisk(dir string) int {
	signal.Ignore(syscall.SIGXFSZ)
	limit := syscall.Rlimit{Cur: 1 << 20, Max: 1 << 20}
	if err := syscall.Setrlimit(syscall.RLIMIT_FSIZE, &limit); err != nil {
		fmt.Println(err)
		return 1
	}
	ctx, cancel := context.WithTimeout(context.Background(), within)
	defer cancel()
	s, err := Embedded(ctx, ServerOptions{StoreDir: dir})
	if err != nil {
		fmt.Println(err)
		return 1
	}
	c, err := s.Connect(nil)
	if err != nil {
		fmt.Println(err)
		return 1
	}
	j, err := Open(ctx, c, gate())
	if err != nil {
		fmt.Println(err)
		return 1
	}
	failed, cancelPublishing := context.WithCancel(ctx)
	defer cancelPublishing()
	watched := make(chan error, 1)
	go func() {
		watched <- s.Watch(ctx, j.Probe)
		cancelPublishing()
	}()
	acknowledged := 0
	for n := uint64(0); ; n++ {
		h := frame.Header{Source: "node", Boot: "b", Number: n}
		if _, err := j.Publish(failed, h, make([]byte, 100<<10)); err != nil {
			break
		}
		acknowledged++
	}
	if err := <-watched; !errors.Is(err, ErrServerFailed) {
		fmt.Println("watch:", err)
		return 1
	}
	fmt.Println("acknowledged", acknowledged)
	return 0
}

// A store that cannot write is noticed, and once it can, holds every frame
// that was acknowledged.
func TestFullDiskIsNoticed(t *testing.T) {
	dir := t.TempDir()
	program, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(context.Background(), 2*within)
	defer cancel()
	limited := exec.CommandContext(ctx, program)
	limited.Env = append(os.Environ(), smallDisk+"="+dir)
	limited.WaitDelay = time.Second
	said, err := limited.CombinedOutput()
	if err != nil {
		t.Fatalf("%v\n%s", err, said)
	}
	var acknowledged int
	line := strings.TrimSpace(string(said))
	if _, err := fmt.Sscanf(line, "acknowledged %d", &acknowledged); err != nil || acknowledged < 5 || acknowledged > 10 {
		t.Fatalf("the limited program printed %q", line)
	}
	j := openJournal(t, connectInside(t, startServer(t, ServerOptions{StoreDir: dir})))
	r, err := j.Read(testContext(t), 2)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	for n, m := range nextMessages(t, r, 2, acknowledged) {
		if h, err := m.FrameHeader(); err != nil || h.Number != uint64(n) || len(m.Data) != 100<<10 {
			t.Errorf("frame %d: %+v, %d bytes, %v", n, h, len(m.Data), err)
		}
	}
	publish(t, j, 1000, 1001)
}
