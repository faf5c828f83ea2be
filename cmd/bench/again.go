//go:build unix

package main

import (
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"syscall"
	"time"
)

// again times reducing what came again, under other constants: what one lot of
// eight costs, what a second process gains, and what a running service feels.
func again(s *settings) (err error) {
	a := archived{settings: s, test: streamTest{Sources: 8, Channels: 50, RateHz: 2000, Groups: 1, Lots: true}}
	defer func() { err = errors.Join(err, os.RemoveAll(a.folder)) }()
	if err := a.fill(s.atMost(800e6)); err != nil {
		return err
	}
	fmt.Printf("Reducing again, %d channels of 8 lots, %.1f GB of raw readings in %d cuts\n", a.test.channels(), a.bytes/1e9, a.cuts)
	if err := a.oneLot(); err != nil {
		return err
	}
	if err := a.twoProcesses(); err != nil {
		return err
	}
	return a.besideService()
}

// archived is a data folder that is reduced again and again.
type archived struct {
	*settings
	test   streamTest
	folder string
	data   string
	file   string // the test file
	bytes  float64
	cuts   int
}

// fill has the service take so many bytes.
func (a *archived) fill(bytes float64) error {
	v, folder, err := a.begin("again", a.test, "--lazy")
	a.folder = folder
	if err != nil {
		return err
	}
	a.data, a.file = v.data, filepath.Join(folder, "test.yaml")
	perFrame := float64(a.test.rowsPerFrame() * (8 + 4*a.test.Channels))
	report, err := load{URL: v.url, Test: a.test, Boot: "again", Frames: uint64(bytes / perFrame / float64(a.test.Sources))}.publishAll(nil)
	if err != nil {
		v.kill()
		return err
	}
	if err := v.stop(); err != nil {
		return err
	}
	a.bytes = report.Payload
	records, err := filepath.Glob(filepath.Join(a.data, "raw", "*.commit.json"))
	a.cuts = len(records)
	return err
}

// has says when so many cuts are committed.
func (v *served) has(cuts int) func() bool {
	return func() bool {
		records, err := filepath.Glob(filepath.Join(v.data, "raw", "*.commit.json"))
		return err != nil || len(records) >= cuts
	}
}

// spread stands for an eighth of the channels of every source, which a lot may be too.
const spread = 0

// changed writes the test file with another gauge factor in the first lots; where
// it is spread, with other leads at every eighth channel.
func (a *archived) changed(lots int) (string, error) {
	text := a.test.testFile()
	for c := 1; lots == spread && c <= a.test.Channels; c += 8 {
		for i := range a.test.Sources {
			name := fmt.Sprintf("  C%d_%d: {bridge: quarter_3wire, transverse: none, leads: {resistance: ", i, c)
			text = strings.Replace(text, name+"1.3 ohm", name+"1.4 ohm", 1)
		}
	}
	for i := range lots {
		text = strings.Replace(text, fmt.Sprintf("  L%d: {resistance: 350 ohm, gauge-factor: 2.08", i), fmt.Sprintf("  L%d: {resistance: 350 ohm, gauge-factor: 2.11", i), 1)
	}
	path := filepath.Join(a.folder, fmt.Sprintf("changed-%d.yaml", lots))
	return path, os.WriteFile(path, []byte(text), 0o644)
}

// command is a process that makes revision r2.
func (a *archived) command(arguments ...string) *exec.Cmd {
	return exec.Command(a.program, append([]string{"rereduce", a.data, "--quiet"}, arguments...)...)
}

// forget removes revision r2.
func (a *archived) forget() error {
	return errors.Join(os.RemoveAll(filepath.Join(a.data, "r2")), os.RemoveAll(filepath.Join(a.data, "current")))
}

func took(run func() error) (float64, error) {
	syscall.Sync() // what was written before is not timed
	began := time.Now()
	err := run()
	return time.Since(began).Seconds(), err
}

// revise makes r2 with so many lots changed.
func (a *archived) revise(lots int, arguments ...string) (float64, error) {
	path, err := a.changed(lots)
	if err != nil {
		return 0, err
	}
	seconds, err := took(func() error {
		out, err := a.command(append([]string{"--calibration", path, "--who", "bench", "--why", "to time it"}, arguments...)...).CombinedOutput()
		if err != nil {
			return fmt.Errorf("%w\n%s", err, out)
		}
		return nil
	})
	return seconds, errors.Join(err, a.forget())
}

func (a *archived) oneLot() error {
	var ratios, wide, one, all []float64
	for round := range a.rounds + 1 {
		var seconds [3]float64
		for i := range seconds {
			side := (i + round) % 3
			var err error
			if seconds[side], err = a.revise([]int{1, 8, spread}[side]); err != nil {
				return err
			}
		}
		if round > 0 {
			ratios, wide = append(ratios, seconds[0]/seconds[1]), append(wide, seconds[2]/seconds[1])
			one, all = append(one, seconds[0]), append(all, seconds[1])
		}
	}
	result{"one lot of eight, on a source of its own, to all", ratios, 0.35, true, fmt.Sprintf("%.2f s, %.2f s", median(one), median(all))}.print()
	result{"an eighth of every source's channels to all", wide, 0, true, "a file is made whole or taken over whole"}.print()
	return nil
}

// twoProcesses compares what a second process gains with what a second cp does.
// rereduce syncs what it writes, so the time of cp is that to the end of a sync. It
// is timed from where a second process can help on: what goes before, the preview of
// three cuts, is of the same size however long the test is.
func (a *archived) twoProcesses() error {
	path, err := a.changed(8)
	if err != nil {
		return err
	}
	var gains, copies, ratios []float64
	for round := range a.rounds + 1 {
		var made, copied [2]float64
		for i := range made {
			if made[i], err = a.make(path, i+1); err != nil {
				return err
			}
		}
		for i := range copied {
			if copied[i], err = a.copies(i + 1); err != nil {
				return err
			}
		}
		if round > 0 {
			gain, ofCopies := made[0]/made[1], copied[0]/copied[1]
			gains, copies, ratios = append(gains, gain), append(copies, ofCopies), append(ratios, gain/ofCopies)
		}
	}
	result{"gain of two processes to that of two cp, all synced", ratios, 0.9, false, fmt.Sprintf("%.2f, %.2f", median(gains), median(copies))}.print()
	return nil
}

// make is the time in which so many processes, one or two, make r2 once it is begun.
func (a *archived) make(path string, processes int) (seconds float64, err error) {
	defer func() { err = errors.Join(err, a.forget()) }()
	said := func(c *exec.Cmd) error {
		out, err := c.CombinedOutput()
		if err != nil {
			return fmt.Errorf("%s: %w\n%s", strings.Join(c.Args, " "), err, out)
		}
		return nil
	}
	syscall.Sync() // what was written before is not timed
	ended := make(chan error, 1)
	go func() {
		ended <- said(a.command("--calibration", path, "--who", "bench", "--why", "to time it", "--workers=1"))
	}()
	for { // the second can only help with what is begun
		if _, err := os.Stat(filepath.Join(a.data, "r2", "revision.json")); err == nil {
			break
		}
		select {
		case err := <-ended:
			return 0, errors.Join(err, errors.New("it ended before another could help"))
		case <-time.After(time.Millisecond):
		}
	}
	began := time.Now()
	if processes > 1 {
		err = said(a.command("--go-on", "r2", "--workers=1"))
	}
	err = errors.Join(<-ended, err)
	return time.Since(began).Seconds(), err
}

// copies is the time in which so many cp at once, half of the files each where
// there are two, copy the first revision's files and the disk has taken them.
func (a *archived) copies(processes int) (seconds float64, err error) {
	files, err := filepath.Glob(filepath.Join(a.data, "r1", "*.arrow"))
	if err != nil {
		return 0, err
	}
	to := filepath.Join(a.folder, "copies")
	if err := os.MkdirAll(to, 0o755); err != nil {
		return 0, err
	}
	defer func() { err = errors.Join(err, os.RemoveAll(to)) }()
	return took(func() error {
		var all []*exec.Cmd
		for i := range processes {
			var some []string
			for j := i; j < len(files); j += processes {
				some = append(some, files[j])
			}
			c := exec.Command("cp", append(some, to)...)
			if err := c.Start(); err != nil {
				return err
			}
			all = append(all, c)
		}
		var err error
		for _, c := range all {
			err = errors.Join(err, c.Wait())
		}
		syscall.Sync()
		return err
	})
}

// besideService reduces all again while 200 channels come at 1 kHz.
func (a *archived) besideService() (err error) {
	t := streamTest{Sources: 1, Channels: 200, RateHz: 1000, Groups: 1}
	const seconds = 40
	folder := filepath.Join(a.scratch, "beside")
	defer func() { err = errors.Join(err, os.RemoveAll(folder)) }()
	v, _, err := a.beginIn(folder, t, "--cut-bytes=1048576")
	if err != nil {
		return err
	}
	// Something to reduce again, as fast as it goes; then the steady test.
	if _, err := (load{URL: v.url, Test: t, Boot: "before"}).publishAll(v.has(200)); err != nil {
		v.kill()
		return err
	}
	path := filepath.Join(folder, "changed.yaml")
	if err := os.WriteFile(path, []byte(strings.Replace(t.testFile(), "gauge-factor: 2.08", "gauge-factor: 2.11", 1)), 0o644); err != nil {
		v.kill()
		return err
	}
	c := exec.Command(a.program, "rereduce", v.data, "--quiet", "--calibration", path, "--who", "bench", "--why", "to time it")
	ended := make(chan error, 1)
	began := time.Now()
	var share, lasted float64
	go func() {
		time.Sleep(2 * time.Second)
		out, err := c.CombinedOutput()
		if err != nil {
			err = fmt.Errorf("%w\n%s", err, out)
		} else {
			lasted = time.Since(began).Seconds() - 2
			share = (c.ProcessState.UserTime() + c.ProcessState.SystemTime()).Seconds() / lasted
		}
		ended <- err
	}()
	from := v.processor()
	report, err := load{URL: v.url, Test: t, Boot: "beside", Seconds: seconds, Paced: true, Singly: true}.publishAll(nil)
	service := (v.processor() - from) / report.took()
	err = errors.Join(err, <-ended)
	if err != nil {
		v.kill()
		return err
	}
	if err := v.stop(); err != nil {
		return err
	}
	figure("beside a service of 200 channels at 1 kHz", "%.2f cores for %.1f s, of %d; bar a quarter of the machine %s", share, lasted, runtime.NumCPU(), verdict(share <= 0.25*float64(runtime.NumCPU())*1.05))
	figure("that service meanwhile", "%.3f cores; publish to live median %.1f ms, p99 %.1f ms; bar 100 ms %s; %d frames not seen", service, 1e3*report.Median, 1e3*report.P99, verdict(report.P99 < 0.1 && report.Unseen == 0), report.Unseen)
	figure("behind the source's clock, first and last tenth", "%.2f s and %.2f s; no growing lag %s", report.LagStart, report.LagEnd, verdict(report.LagEnd < report.LagStart+1))
	return nil
}
