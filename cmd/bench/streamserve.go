//go:build unix

package main

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"time"

	"glueline/pipeline/journal"
)

// served is a running glueline serve.
type served struct {
	process *exec.Cmd
	url     string
	data    string
	log     string // file
	ready   float64
	client  http.Client // of its socket
}

// serve starts the service and waits until it is ready.
func (s *settings) serve(folder, testFile string, arguments ...string) (v *served, err error) {
	v = &served{data: filepath.Join(folder, "data"), log: filepath.Join(folder, "serve.log")}
	log, err := os.OpenFile(v.log, os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o644)
	if err != nil {
		return nil, err
	}
	defer log.Close()
	v.process = exec.Command(s.program, append([]string{"serve", testFile, "--data", v.data, "--listen", "127.0.0.1:0"}, arguments...)...)
	v.process.Stderr = log
	out, err := v.process.StdoutPipe()
	if err != nil {
		return nil, err
	}
	began := time.Now()
	if err := v.process.Start(); err != nil {
		return nil, err
	}
	lines := bufio.NewScanner(out)
	for v.url == "" && lines.Scan() {
		v.url, _ = strings.CutPrefix(lines.Text(), "Publishers: ")
		if !strings.HasPrefix(lines.Text(), "Publishers: ") {
			v.url = ""
		}
	}
	go func() { _, _ = io.Copy(io.Discard, out) }() // ends with the process
	v.client = http.Client{Transport: &http.Transport{DisableKeepAlives: true, DialContext: func(ctx context.Context, _, _ string) (net.Conn, error) {
		return new(net.Dialer).DialContext(ctx, "unix", filepath.Join(v.data, "glueline.sock"))
	}}}
	for deadline := began.Add(time.Minute); time.Now().Before(deadline) && v.url != ""; time.Sleep(time.Millisecond) {
		answer, err := v.client.Get("http://glueline/readyz")
		if err != nil {
			continue
		}
		_ = answer.Body.Close() // its status is all that matters
		if answer.StatusCode == http.StatusOK {
			v.ready = time.Since(began).Seconds()
			return v, nil
		}
	}
	v.kill()
	text, _ := os.ReadFile(v.log)
	return nil, fmt.Errorf("glueline serve did not get ready:\n%s", text)
}

// standing is what the service tells of its only group.
type standing struct {
	Journal journal.State         `json:"journal"`
	LastCut *struct{ Cut uint64 } `json:"last_cut"`
}

func (v *served) standing() (standing, error) {
	answer, err := v.client.Get("http://glueline/status")
	if err != nil {
		return standing{}, err
	}
	defer answer.Body.Close()
	var status struct{ Groups []standing }
	if err := json.NewDecoder(answer.Body).Decode(&status); err != nil {
		return standing{}, fmt.Errorf("status of the service: %w", err)
	}
	if len(status.Groups) != 1 {
		return standing{}, fmt.Errorf("status of the service: %d groups", len(status.Groups))
	}
	return status.Groups[0], nil
}

// stop ends the service in good order.
func (v *served) stop() error {
	if err := v.process.Process.Signal(syscall.SIGTERM); err != nil {
		return err
	}
	if err := v.process.Wait(); err != nil {
		text, _ := os.ReadFile(v.log)
		return fmt.Errorf("glueline serve: %w\n%s", err, text)
	}
	return nil
}

// kill ends it as a fault would.
func (v *served) kill() {
	_ = v.process.Process.Kill()
	_ = v.process.Wait() // says that it was killed
}

// processor is the seconds of processor time that it has taken, NaN where the
// system does not tell (it is Linux that does).
func (v *served) processor() float64 {
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", v.process.Process.Pid))
	if err != nil {
		return math.NaN()
	}
	fields := strings.Fields(string(text[strings.LastIndexByte(string(text), ')')+1:]))
	user, errU := strconv.ParseFloat(fields[11], 64)
	system, errS := strconv.ParseFloat(fields[12], 64)
	if errors.Join(errU, errS) != nil {
		return math.NaN()
	}
	return (user + system) / 100 // Linux counts in hundredths of a second, on every processor that Go knows
}

// written is how many bytes it has sent to the disk, NaN where the system does
// not tell.
func (v *served) written() float64 {
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/io", v.process.Process.Pid))
	if err != nil {
		return math.NaN()
	}
	_, rest, _ := strings.Cut(string(text), "\nwrite_bytes: ")
	line, _, _ := strings.Cut(rest, "\n")
	n, err := strconv.ParseFloat(line, 64)
	if err != nil {
		return math.NaN()
	}
	return n
}

// anonymous is the memory in bytes that it has now and that no file is behind,
// NaN where the system does not tell.
func (v *served) anonymous() float64 {
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", v.process.Process.Pid))
	if err != nil {
		return math.NaN()
	}
	_, rest, _ := strings.Cut(string(text), "\nRssAnon:")
	var kib float64
	if _, err := fmt.Sscanf(rest, "%g kB", &kib); err != nil {
		return math.NaN()
	}
	return kib * 1024
}
