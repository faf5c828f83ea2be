//go:build unix

package main

import (
	"errors"
	"fmt"
	"math"
	"os"
	"slices"
	"time"
)

// longer compares the most anonymous memory that the service had during a
// stream with that during one ten times as long. Frames come as fast as the
// journal takes them. Short streams are run several times, and the middle one
// counts: with few collections of garbage, chance decides how far it goes.
func longer(s *settings) error {
	t := streamTest{Sources: 1, Channels: 200, RateHz: 1000, Groups: 1}
	short := max(1, uint64(s.atMost(1.5e9)/10/float64(t.rawFrameBytes())))
	var peaks []float64
	for range 3 {
		peak, err := s.peak(t, short)
		if err != nil {
			return err
		}
		peaks = append(peaks, peak)
	}
	long, err := s.peak(t, 10*short)
	if err != nil {
		return err
	}
	seconds := float64(short) * float64(t.rowsPerFrame()) / t.RateHz
	fmt.Printf("Stream, anonymous memory of the service at its highest, %d channels at %g Hz as fast as it goes\n", t.channels(), t.RateHz)
	if math.IsNaN(long) {
		fmt.Println("  not known on this system")
		return nil
	}
	ratio := long / median(peaks)
	figure(fmt.Sprintf("%.0f s of readings, and ten times that", seconds), "%.0f MB (%.0f to %.0f) and %.0f MB: %.2f; bar 1.2 %s",
		median(peaks)/1e6, slices.Min(peaks)/1e6, slices.Max(peaks)/1e6, long/1e6, ratio, verdict(ratio <= 1.2))
	return nil
}

// peak publishes so many frames and returns the most memory seen.
func (s *settings) peak(t streamTest, frames uint64) (peak float64, err error) {
	v, folder, err := s.begin("longer", t)
	defer func() { err = errors.Join(err, os.RemoveAll(folder)) }()
	if err != nil {
		return 0, err
	}
	stop, stopped := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(stopped)
		tick := time.NewTicker(5 * time.Millisecond)
		defer tick.Stop()
		for {
			select {
			case <-stop:
				return
			case <-tick.C:
				peak = max(peak, v.anonymous())
			}
		}
	}()
	report, err := load{URL: v.url, Test: t, Boot: "longer", Frames: frames}.publishAll(nil)
	close(stop)
	<-stopped
	if err == nil && report.Unseen > 0 {
		err = fmt.Errorf("%d frames were not reduced", report.Unseen)
	}
	if err != nil {
		v.kill()
		return 0, err
	}
	return peak, v.stop()
}
