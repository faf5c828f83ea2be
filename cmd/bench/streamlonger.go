//go:build unix

package main

import (
	"errors"
	"fmt"
	"math"
	"os"
	"time"
)

// longer compares the most anonymous memory that the service had in the first
// seconds of a stream with the most that it had in all of ten times as long.
// Neither the disk nor the processor holds this stream up, since what waits for
// them is another question. The broker keeps for ten seconds what it has
// written and read: a first part that is not longer than that shows less than
// the service comes to have, however long the stream is.
func longer(s *settings) (err error) {
	t := streamTest{Sources: 1, Channels: 200, RateHz: 10_000, Groups: 1}
	v, folder, err := s.begin("longer", t)
	defer func() { err = errors.Join(err, os.RemoveAll(folder)) }()
	if err != nil {
		return err
	}
	began := time.Now()
	first := time.Duration(s.streamFirst * 1e9)
	var short, long float64
	seen := make(chan struct{})
	stop := make(chan struct{})
	go func() {
		defer close(seen)
		tick := time.NewTicker(20 * time.Millisecond)
		defer tick.Stop()
		for {
			select {
			case <-stop:
				return
			case <-tick.C:
			}
			long = max(long, v.anonymous())
			if time.Since(began) < first {
				short = long
			}
		}
	}()
	report, err := load{URL: v.url, Test: t, Boot: "longer", Seconds: 10 * s.streamFirst, Paced: true}.publishAll(nil)
	close(stop)
	<-seen
	if err == nil && report.Unseen > 0 {
		err = fmt.Errorf("%d frames were not reduced", report.Unseen)
	}
	if err != nil {
		v.kill()
		return err
	}
	if err := v.stop(); err != nil {
		return err
	}
	fmt.Printf("Stream, anonymous memory of the service at its highest, %d channels at %g Hz\n", t.channels(), t.RateHz)
	if math.IsNaN(long) || short == 0 {
		fmt.Println("  not known on this system")
		return nil
	}
	result{fmt.Sprintf("in %g s to that in the first %g s", 10*s.streamFirst, s.streamFirst), []float64{long / short}, 1.2, true,
		fmt.Sprintf("%.0f MB, %.0f MB; %.2f s behind at the end", long/1e6, short/1e6, report.LagEnd)}.print()
	return nil
}
