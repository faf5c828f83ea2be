//go:build unix

package main

import (
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"syscall"
	"time"
)

// stream times the service: real processes, a journal that syncs every write.
func stream(s *settings) error {
	wanted := strings.Split(s.streamParts, ",")
	known := strings.Split(streamPartNames(), ",")
	for _, name := range wanted {
		if !slices.Contains(known, name) {
			return fmt.Errorf("no part %q; there are %s", name, streamPartNames())
		}
	}
	for _, part := range streamParts {
		if !slices.Contains(wanted, part.name) {
			continue
		}
		if err := part.run(s); err != nil {
			return fmt.Errorf("%s: %w", part.name, err)
		}
	}
	return nil
}

// streamParts are timed one after the other.
var streamParts = []struct {
	name string
	run  func(*settings) error
}{
	{"headline", headline},
	{"steady", steady},
	{"drain", drain},
	{"allocations", allocations},
	{"longer", longer},
	{"recovery", recovery},
}

func streamPartNames() string {
	var names []string
	for _, part := range streamParts {
		names = append(names, part.name)
	}
	return strings.Join(names, ",")
}

// mostBytes is what the headline writes at least, unless told otherwise: half of
// the free disk or three times the memory, so that no cache holds it.
func (s *settings) mostBytes() (float64, error) {
	if s.streamBytes > 0 {
		return s.streamBytes, nil
	}
	var disk syscall.Statfs_t
	if err := syscall.Statfs(s.scratch, &disk); err != nil {
		return 0, err
	}
	most := float64(disk.Bavail) * float64(disk.Bsize) / 2
	if text, err := os.ReadFile("/proc/meminfo"); err == nil {
		var kib float64
		if _, err := fmt.Sscanf(string(text), "MemTotal: %g kB", &kib); err == nil {
			most = min(most, 3*kib*1024)
		}
	}
	return most, nil
}

// stretch is how long the disk's ceiling is looked at at a time, in s: a disk that is
// shared gives twice as much in one minute as in the next.
const stretch = 5

// ceiling is how many bytes a second the disk takes in synced writes of a
// frame's size, to several files at once, in the slowest and in the fastest of some
// stretches.
func (s *settings) ceiling(files, stretches int) (slowest, fastest float64, err error) {
	for i := range stretches {
		rate, err := s.ceilingFor(files, stretch)
		if err != nil {
			return 0, 0, err
		}
		if fastest = max(fastest, rate); i == 0 || rate < slowest {
			slowest = rate
		}
	}
	return slowest, fastest, nil
}

func (s *settings) ceilingFor(files int, seconds float64) (rate float64, err error) {
	folder, err := os.MkdirTemp(s.scratch, "ceiling-")
	if err != nil {
		return 0, err
	}
	defer func() { err = errors.Join(err, os.RemoveAll(folder)) }()
	block := make([]byte, 264<<10)
	for i := range block {
		block[i] = byte(i * 7)
	}
	counts, failures := make([]int, files), make([]error, files)
	began := time.Now()
	var wait sync.WaitGroup
	for i := range files {
		wait.Go(func() {
			f, err := os.Create(filepath.Join(folder, fmt.Sprint(i)))
			for err == nil && time.Since(began).Seconds() < seconds {
				if _, err = f.Write(block); err == nil {
					err = f.Sync()
					counts[i]++
				}
			}
			failures[i] = errors.Join(err, f.Close())
		})
	}
	wait.Wait()
	took := time.Since(began).Seconds()
	for _, n := range counts {
		rate += float64(n*len(block)) / took
	}
	return rate, errors.Join(failures...)
}

// verdict is how a figure stands to its bar.
func verdict(met bool) string {
	if met {
		return "met"
	}
	return "MISSED"
}

// figure prints a line that is no ratio.
func figure(what, format string, values ...any) {
	fmt.Printf("  %-52s %s\n", what, fmt.Sprintf(format, values...))
}

// serveArguments are those given for the service.
func (s *settings) serveArguments() []string { return strings.Fields(s.streamServe) }

// begin makes a folder on the disk with a test file and starts the service on it.
func (s *settings) begin(name string, t streamTest, arguments ...string) (*served, string, error) {
	return s.beginIn(filepath.Join(s.scratch, name), t, arguments...)
}

func (s *settings) beginIn(folder string, t streamTest, arguments ...string) (*served, string, error) {
	if err := os.MkdirAll(folder, 0o755); err != nil {
		return nil, "", err
	}
	test := filepath.Join(folder, "test.yaml")
	if err := os.WriteFile(test, []byte(t.testFile()), 0o644); err != nil {
		return nil, "", err
	}
	v, err := s.serve(folder, test, arguments...)
	return v, folder, err
}

// writtenPerSample is about how many bytes of a sample reach the disk: the
// journal's copy, the raw archive's, strain and flags. The run prints its own.
const writtenPerSample = 21.5

// headline publishes 20 million samples a second, which is what the service is
// to take on two cores beside the publisher. Where the disk cannot take that, what
// is offered is what 0.6 of its slowest stretch holds: more would only fill the journal.
// A disk that others use too may become slower meanwhile, so that more was offered than
// that; then it is done again with what it gives now, and both are printed.
func headline(s *settings) error {
	const tries = 3
	before, best, err := s.ceiling(2, 8)
	for try := 1; err == nil; try++ {
		var after, bestAfter float64
		var held bool
		after, bestAfter, held, err = s.offer(before, best)
		if err != nil || held || try == tries {
			break
		}
		fmt.Printf("  The disk became slower: more was offered than 0.6 of what it gives now. Again:\n\n")
		before, best = after, bestAfter
	}
	return err
}

// offer publishes as much as 0.6 of a ceiling of the disk holds. It returns the
// ceiling behind that, and whether what was offered kept to it.
func (s *settings) offer(before, best float64) (after, bestAfter float64, held bool, err error) {
	t := streamTest{Sources: 8, Channels: 250, RateHz: 10_000, Groups: 2}
	which := "what is asked for"
	if most := 0.6 * before / writtenPerSample / float64(t.channels()); most < t.RateHz {
		t.RateHz, which = 100*math.Floor(most/100), "0.6 of the ceiling before, its slowest"
	}
	most, err := s.mostBytes()
	if err != nil {
		return 0, 0, false, err
	}
	v, folder, err := s.begin("headline", t, s.serveArguments()...)
	defer func() { err = errors.Join(err, os.RemoveAll(folder)) }()
	if err != nil {
		return 0, 0, false, err
	}
	began := time.Now()
	idleWritten, idleProcessor := v.written(), v.processor()
	report, err := load{URL: v.url, Test: t, Boot: "headline", Paced: true}.publishAll(func() bool {
		return time.Since(began).Seconds() >= s.streamSeconds && !(v.written() < most)
	})
	ended := fmt.Sprintf("after %.0f s", time.Since(began).Seconds())
	written, processor := v.written()-idleWritten, v.processor()-idleProcessor
	if err != nil {
		v.kill()
		return 0, 0, false, err
	}
	if err := v.stop(); err != nil {
		return 0, 0, false, err
	}
	if after, bestAfter, err = s.ceiling(t.Groups, 4); err != nil {
		return 0, 0, false, err
	}
	offered := float64(t.channels()) * t.RateHz
	reached := report.Samples / report.Seconds
	held = 0.6*after >= 0.98*offered*writtenPerSample || t.RateHz == 10_000 && report.P99 < 1
	fmt.Printf("Stream, %d channels at %g Hz, %d sources in %d groups; ended %s\n", t.channels(), t.RateHz, t.Sources, t.Groups, ended)
	// Of what is offered in real time, the last frame is missing at the end.
	figure("samples a second, to the last acknowledgement", "%.2f M/s; bar %.2f M/s, as many as were offered (%s) %s", reached/1e6, offered/1e6, which, verdict(reached >= 0.995*offered))
	figure("the disk's ceiling, synced writes of 264 KiB", "%.0f to %.0f MB/s before, %.0f to %.0f MB/s after, by stretches of %d s", before/1e6, best/1e6, after/1e6, bestAfter/1e6, stretch)
	figure("written to the disk, journal and files", "%.1f GB, %.0f MB/s, %.2f of the slowest, %.1f bytes a sample", written/1e9, written/1e6/report.took(), written/report.took()/min(before, after), written/report.Samples)
	figure("processor of the service", "%.2f cores, until everything was reduced", processor/report.took())
	figure("from the last acknowledgement to everything reduced", "%.2f s", report.Drain)
	figure("publish to reduced", "median %.0f ms, p99 %.0f ms; bar 1 s %s; %d frames not seen", 1e3*report.Median, 1e3*report.P99, verdict(report.P99 < 1 && report.Unseen == 0), report.Unseen)
	figure("behind the sources' clock, first and last tenth", "%.2f s and %.2f s; no growing lag %s", report.LagStart, report.LagEnd, verdict(report.LagEnd < report.LagStart+1))
	return after, bestAfter, held, nil
}

// steady is a quiet test: what the service costs, and how soon a screen shows.
func steady(s *settings) (err error) {
	t := streamTest{Sources: 1, Channels: 200, RateHz: 1000, Groups: 1}
	const seconds, cutBytes = 30, 1 << 20
	v, folder, err := s.begin("steady", t, append(s.serveArguments(), fmt.Sprintf("--cut-bytes=%d", cutBytes))...)
	defer func() { err = errors.Join(err, os.RemoveAll(folder)) }()
	if err != nil {
		return err
	}
	from := v.processor()
	report, err := load{URL: v.url, Test: t, Boot: "steady", Seconds: seconds, Paced: true}.publishAll(nil)
	took := v.processor() - from
	if err != nil {
		v.kill()
		return err
	}
	records, err := filepath.Glob(filepath.Join(v.data, "raw", "*.json"))
	if err != nil {
		return err
	}
	if err := v.stop(); err != nil {
		return err
	}
	share := took / report.took()
	fmt.Printf("Stream, %d channels at %g Hz for %d s\n", t.channels(), t.RateHz, seconds)
	measured := verdict(share < 0.1)
	if math.IsNaN(share) {
		measured = strings.ToLower("not known on this system")
	}
	figure("processor of the service", "%.3f cores; bar 0.1 %s", share, measured)
	figure("publish to live", "median %.1f ms, p99 %.1f ms over %d cuts; bar 100 ms %s; %d frames not seen", 1e3*report.Median, 1e3*report.P99, len(records), verdict(report.P99 < 0.1 && report.Unseen == 0), report.Unseen)
	return nil
}
