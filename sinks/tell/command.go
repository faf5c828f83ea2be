package tell

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"strings"
	"time"
)

// command runs a program, without a shell: the message stands in its environment
// (GLUELINE_ID, _WHO, _SUBJECT, _TEXT) and its JSON comes on standard input. Status
// 0 means that it was taken over.
type command struct{ argv []string }

func newCommand(argv []string) (*command, error) {
	if len(argv) == 0 {
		return &command{}, errors.New("command: no program; write [PROGRAM, ARGUMENT]")
	}
	path, err := exec.LookPath(argv[0])
	if err != nil {
		return &command{argv}, fmt.Errorf("command: %w", err)
	}
	return &command{append([]string{path}, argv[1:]...)}, nil
}

func (c *command) Name() string { return "command" }

func (c *command) Send(ctx context.Context, m Message) error {
	ctx, cancel := context.WithTimeout(ctx, sendWithin)
	defer cancel()
	run := exec.CommandContext(ctx, c.argv[0], c.argv[1:]...)
	run.WaitDelay = time.Second // what it started may hold its output open
	run.Stdin = bytes.NewReader(append(bytes.Clone(m.Body), '\n'))
	said := &head{most: 300}
	run.Stdout, run.Stderr = said, said
	// Only what a program needs: the service's own environment may hold secrets of
	// other ways.
	for _, name := range []string{"PATH", "HOME", "USER", "LANG", "LC_ALL", "TZ", "TMPDIR"} {
		if v, ok := os.LookupEnv(name); ok {
			run.Env = append(run.Env, name+"="+v)
		}
	}
	for _, v := range [][2]string{{"ID", m.ID}, {"WHO", m.Who}, {"SUBJECT", m.Subject}, {"TEXT", m.Text}} {
		run.Env = append(run.Env, "GLUELINE_"+v[0]+"="+strings.ReplaceAll(v[1], "\x00", ""))
	}
	err := run.Run()
	switch {
	case ctx.Err() != nil:
		return fmt.Errorf("%s did not end in time: %w", c.argv[0], ctx.Err())
	case err != nil && said.Len() > 0:
		return fmt.Errorf("%s: %w: %s", c.argv[0], err, strings.TrimSpace(said.String()))
	case err != nil:
		return fmt.Errorf("%s: %w", c.argv[0], err)
	}
	return nil
}

// head keeps the beginning of what is written to it.
type head struct {
	bytes.Buffer
	most int
}

func (h *head) Write(p []byte) (int, error) {
	h.Buffer.Write(p[:min(len(p), max(0, h.most-h.Len()))])
	return len(p), nil
}
