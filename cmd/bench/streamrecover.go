//go:build unix

package main

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"glueline/pipeline/journal"
)

// Small cuts make a long test of a short time.
const (
	framesInCut = 4
	behindCut   = 2 // frames that the journal has when the service is killed
)

// killedTest is what a service left behind that was killed.
type killedTest struct {
	folder, testFile string
	arguments        []string
	cuts             uint64
	held             journal.State
	ready            []float64 // s, of each start that counts
}

// recovery times the start of a service that was killed, after a test and after
// one four times as long. Both were killed with the same readings behind the
// newest cut, and their journals, trimmed, hold the same. The files are in memory
// where there is such a file system: thousands of cuts are then made in no time,
// and the disk's moods do not hide what a thousand more cost.
func recovery(s *settings) (err error) {
	folder := filepath.Join(s.memory, "recovery")
	defer func() { err = errors.Join(err, os.RemoveAll(folder)) }()
	var killed [2]*killedTest
	for i, cuts := range []uint64{s.streamCuts, 4 * s.streamCuts} {
		if killed[i], err = s.runAndKill(filepath.Join(folder, fmt.Sprint(cuts)), cuts); err != nil {
			return err
		}
	}
	var ratios []float64
	for round := range s.rounds + 1 {
		var ready [2]float64
		for i := range killed {
			side := (i + round) % 2
			if ready[side], err = s.startAndKill(killed[side]); err != nil {
				return err
			}
		}
		if round > 0 {
			ratios = append(ratios, ready[1]/ready[0])
			for i, k := range killed {
				k.ready = append(k.ready, ready[i])
			}
		}
	}
	fmt.Println("Stream, from the start to ready after kill -9")
	for _, k := range killed {
		figure(fmt.Sprintf("after %d cuts and %d frames", k.cuts, behindCut), "%.0f ms; the journal holds the newest %d of %d messages, %.0f kB",
			1e3*median(k.ready), k.held.Last+1-k.held.First, k.held.Last, float64(k.held.Bytes)/1e3)
	}
	grown := (median(killed[1].ready) - median(killed[0].ready)) / float64(killed[1].cuts-killed[0].cuts)
	result{"time after the longer test to that after the shorter", ratios, 1.1, true, fmt.Sprintf("%+.1f ms for 1,000 cuts", 1e6*grown)}.print()
	return nil
}

// runAndKill has a service make so many cuts, and a little more, and kills it.
func (s *settings) runAndKill(folder string, cuts uint64) (*killedTest, error) {
	t := streamTest{Sources: 1, Channels: 8, RateHz: 1000, Groups: 1}
	k := &killedTest{cuts: cuts, arguments: []string{"--idle-cut=1h", fmt.Sprintf("--cut-bytes=%d", framesInCut*t.rawFrameBytes())}}
	v, folder, err := s.beginIn(folder, t, k.arguments...)
	if err != nil {
		return nil, err
	}
	defer v.kill()
	k.folder, k.testFile = folder, filepath.Join(folder, "test.yaml")
	if _, err := (load{URL: v.url, Test: t, Boot: "recovery", Frames: cuts*framesInCut + behindCut}).publishAll(nil); err != nil {
		return nil, err
	}
	// The journal keeps what the newest cut holds, and what came after it.
	const wanted = framesInCut + behindCut
	for deadline := time.Now().Add(2 * time.Minute); ; time.Sleep(20 * time.Millisecond) {
		now, err := v.standing()
		if err != nil {
			return nil, err
		}
		k.held = now.Journal
		if now.LastCut != nil && now.LastCut.Cut == cuts-1 && now.Journal.Last+1-now.Journal.First == wanted {
			return k, nil
		}
		if time.Now().After(deadline) {
			return nil, fmt.Errorf("%d cuts and a journal of %d messages did not come: %v", cuts, wanted, now)
		}
	}
}

// startAndKill returns how many seconds the service took to be ready, and leaves
// everything as it was.
func (s *settings) startAndKill(k *killedTest) (ready float64, err error) {
	v, err := s.serve(k.folder, k.testFile, k.arguments...)
	if err != nil {
		return 0, err
	}
	defer v.kill()
	now, err := v.standing()
	if err != nil {
		return 0, err
	}
	if now.LastCut == nil || now.LastCut.Cut != k.cuts-1 || now.Journal.First != k.held.First || now.Journal.Last != k.held.Last {
		return 0, fmt.Errorf("the service holds other things than before: %v", now)
	}
	return v.ready, nil
}
