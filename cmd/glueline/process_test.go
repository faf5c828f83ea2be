package main

import (
	"bufio"
	"context"
	"os/exec"
	"testing"
)

// said is what a running process writes, line by line.
type said struct {
	lines chan string
	errs  shared // complete when the process has ended
}

// output starts a process, which is killed with the test if it still runs.
func output(t *testing.T, p *exec.Cmd) *said {
	t.Helper()
	s := &said{lines: make(chan string, 1<<12)}
	out, err := p.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	p.Stderr = &s.errs
	if err := p.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if p.ProcessState == nil {
			_ = p.Process.Kill() // it may have ended
			_ = p.Wait()         // it was killed
		}
	})
	go func() {
		defer close(s.lines)
		lines := bufio.NewScanner(out)
		for lines.Scan() {
			s.lines <- lines.Text()
		}
	}()
	return s
}

// next is the next line of the process's output.
func (s *said) next(ctx context.Context, t *testing.T) string {
	t.Helper()
	select {
	case line, ok := <-s.lines:
		if !ok {
			t.Fatal("the process has ended early")
		}
		return line
	case <-ctx.Done():
		t.Fatal(ctx.Err())
		return ""
	}
}
