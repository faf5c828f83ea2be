//go:build unix

package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"time"
)

// The bars of a page that 200 channels at 1 kHz are looked at on: a tenth of a core
// in the server, frames under 34 ms at the 99th percentile, no task over 100 ms.
const (
	consoleShare = 0.1
	consoleFrame = 34.0  // ms
	consoleTask  = 100.0 // ms
)

// smoothness is what testdata/js/consolespeed.mjs prints.
type smoothness struct {
	Frames, Long, Rows  int
	P99, Worst, Longest float64   // ms
	Heap                []float64 // bytes, a tenth of the time apart
}

// console looks at a service in a real browser, for s.consoleSeconds, while its
// sources publish and its files end each tenth of that. What the page costs the
// service is what it takes with the page less what it takes without, in turns.
func console(s *settings) (err error) {
	t := streamTest{Sources: 10, Channels: 20, RateHz: 1000, Groups: 1}
	folder, err := os.MkdirTemp(s.scratch, "console-")
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, os.RemoveAll(folder)) }()
	file := filepath.Join(folder, "test.yaml")
	if err := os.WriteFile(file, []byte(t.testFile()), 0o644); err != nil {
		return err
	}
	address, err := freePort()
	if err != nil {
		return err
	}
	cut := max(time.Second, time.Duration(s.consoleSeconds/10*1e9))
	v, err := s.serve(folder, file, "--console", address, "--max-cut", cut.String())
	if err != nil {
		return err
	}
	defer func() {
		if err != nil {
			v.kill()
		}
	}()
	beside := min(s.consoleSeconds, 100)      // without the page, before and after it
	total := s.consoleSeconds + 2*beside + 90 // a browser starts in between
	published := make(chan error, 1)
	enough := make(chan struct{})
	go func() {
		_, err := load{URL: v.url, Test: t, Boot: "console", Seconds: total, Paced: true}.publishAll(func() bool {
			select {
			case <-enough:
				return true
			default:
				return false
			}
		})
		published <- err
	}()
	time.Sleep(5 * time.Second) // the zeros are taken
	alone := func() { time.Sleep(time.Duration(beside * 1e9)) }
	without := v.shareOf(alone)
	var smooth smoothness
	var looked error
	with := v.shareOf(func() { smooth, looked = look("http://"+address+"/", s.consoleSeconds) })
	if looked != nil {
		close(enough)
		return errors.Join(looked, <-published)
	}
	after := v.shareOf(alone)
	close(enough)
	if err := <-published; err != nil {
		return err
	}
	if err := v.stop(); err != nil {
		return err
	}
	fmt.Printf("Console, %d channels at %g Hz on one page for %g s, files ending each %s; other work on this machine counts against it\n", t.channels(), t.RateHz, s.consoleSeconds, cut)
	fmt.Printf("  the service, parts of a core     %.3f with the page, %.3f before and %.3f after it: the page %.3f (bar %.1f)\n", with, without, after, with-(without+after)/2, consoleShare)
	fmt.Printf("  frames                           %d, 99th percentile %.1f ms (bar %g), worst %.1f ms\n", smooth.Frames, smooth.P99, consoleFrame, smooth.Worst)
	fmt.Printf("  tasks over %g ms                %d (bar 0), longest %.0f ms\n", consoleTask, smooth.Long, smooth.Longest)
	fmt.Printf("  memory of the page, MB           ")
	for _, h := range smooth.Heap {
		fmt.Printf("%.1f ", h/1e6)
	}
	fmt.Println("(flat over an hour: -console-seconds 3600)")
	return nil
}

// shareOf is how much of a core the service takes while something is done.
func (v *served) shareOf(do func()) float64 {
	began, before := time.Now(), v.processor()
	do()
	return (v.processor() - before) / time.Since(began).Seconds()
}

func look(link string, seconds float64) (s smoothness, err error) {
	c := exec.Command("node", "testdata/js/consolespeed.mjs", link, fmt.Sprint(seconds))
	var said strings.Builder
	c.Stderr = &said
	out, err := c.Output()
	if err != nil {
		return s, fmt.Errorf("%w: %s (it needs npm ci --prefix testdata/js and Debian's chromium)", err, said.String())
	}
	return s, json.Unmarshal(out, &s)
}

func freePort() (string, error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return "", err
	}
	return l.Addr().String(), l.Close()
}
