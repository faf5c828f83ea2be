package main

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"strconv"
	"strings"
	"sync"
	"time"

	"glueline/sinks/disk"
)

// faultVariable names the environment variable by which tests make a serving
// process fail at a chosen step: a comma between entries, each one of
//
//	die:PHASE:N     kill -9 of itself ahead of the N-th PHASE
//	fail:PHASE:N    the N-th PHASE is not done and has an error
//	slow:PHASE:D    each PHASE waits D first
//
// PHASE is the folder, raw or reduced, and the step in it (disk.Step), with
// "record-" between them for the file of a commit record: raw-sync,
// reduced-rename, raw-record-write, raw-link. "trim" is the trimming of a
// journal, at some instant of which the process dies.
const faultVariable = "GLUELINE_TEST_FAULT"

// faults are those of this process; nil, as without the variable, is none.
type faults struct {
	entries []fault

	mutex sync.Mutex
	met   map[string]int
}

type fault struct {
	action, phase string
	at            int
	wait          time.Duration
}

func faultsFromEnvironment() (*faults, error) {
	text := os.Getenv(faultVariable)
	if text == "" {
		return nil, nil
	}
	f := &faults{met: map[string]int{}}
	for _, entry := range strings.Split(text, ",") {
		action, rest, _ := strings.Cut(entry, ":")
		phase, value, _ := strings.Cut(rest, ":")
		e := fault{action: action, phase: phase}
		var err error
		switch action {
		case "die", "fail":
			e.at, err = strconv.Atoi(value)
		case "slow":
			e.wait, err = time.ParseDuration(value)
		default:
			err = errors.New("not die, fail or slow")
		}
		if err != nil {
			return nil, fmt.Errorf("%s: %q: %w", faultVariable, entry, err)
		}
		f.entries = append(f.entries, e)
	}
	return f, nil
}

var errInjected = errors.New("made to fail by " + faultVariable)

// meet is called ahead of a phase.
func (f *faults) meet(phase string) error {
	if f == nil {
		return nil
	}
	f.mutex.Lock()
	f.met[phase]++
	n := f.met[phase]
	f.mutex.Unlock()
	for _, e := range f.entries {
		switch {
		case e.phase != phase:
		case e.action == "slow":
			time.Sleep(e.wait)
		case e.at != n:
		case e.action == "fail":
			return errInjected
		case phase == "trim":
			go func() {
				time.Sleep(rand.N(3 * time.Millisecond))
				dieNow()
			}()
		default:
			dieNow()
		}
	}
	return nil
}

func dieNow() {
	if self, err := os.FindProcess(os.Getpid()); err == nil {
		_ = self.Kill() // nothing is left to do but to wait for it
	}
	select {}
}

// folder is the folder of that name with the faults in it.
func (f *faults) folder(name, dir string) disk.Folder {
	if f == nil {
		return disk.At(dir)
	}
	return disk.Watched(disk.At(dir), func(step disk.Step, file string) error {
		phase := name + "-"
		if strings.Contains(file, ".commit.json") && step != disk.Link {
			phase += "record-"
		}
		return f.meet(phase + string(step))
	})
}
