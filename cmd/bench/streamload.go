//go:build unix

package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"os/exec"
	"slices"
	"sync"
	"time"

	"github.com/nats-io/nats.go"

	"glueline/pipeline/frame"
	"glueline/pipeline/journal"
)

// load says what the load generator, a process of its own, publishes.
type load struct {
	URL     string
	Test    streamTest
	Boot    string
	Seconds float64 // at most; 0 is no limit
	Frames  uint64  // of each source, at most; 0 is no limit
	Paced   bool    // by the sources' clock, else as fast as it goes
	Singly  bool    // one frame in flight, as a node publishes: an event of others costs it nothing
}

// loadReport is what the load generator saw.
type loadReport struct {
	Seconds  float64 // of publishing, until everything was acknowledged
	Drain    float64 // s from then until everything was seen reduced, or no longer waited for
	Samples  float64 // acknowledged
	Payload  float64 // bytes of the frames
	Median   float64 // s from handing a frame to the publisher until it was seen reduced
	P99      float64 // s
	LagStart float64 // s from a row's time until it was seen reduced, in the first tenth
	LagEnd   float64 // in the last tenth
	Unseen   uint64  // frames that were never seen reduced
}

// took is the time in s that the service had for all of it.
func (r loadReport) took() float64 { return r.Seconds + r.Drain }

// loadVariable makes this program the load generator.
const loadVariable = "GLUELINE_BENCH_LOAD"

// runAsLoad publishes until it has done what it is to do or its standard input
// ends, and prints its report.
func runAsLoad(text string) error {
	var l load
	if err := json.Unmarshal([]byte(text), &l); err != nil {
		return err
	}
	report, err := l.run()
	if err != nil {
		return fmt.Errorf("load generator: %w", err)
	}
	return json.NewEncoder(os.Stdout).Encode(report)
}

// watch notes when the frames of a source were sent, and when seen reduced.
type watch struct {
	mutex     sync.Mutex
	began     time.Time
	frameTime float64 // ns of a frame
	sent      []time.Time
	seen      int
	latency   []float64 // s, of each frame seen
	lag       []float64 // s, behind the source's clock
}

func (w *watch) send() {
	w.mutex.Lock()
	defer w.mutex.Unlock()
	w.sent = append(w.sent, time.Now())
}

// envelope takes note of rows that were reduced up to a time.
func (w *watch) envelope(last time.Time) {
	now := time.Now()
	w.mutex.Lock()
	defer w.mutex.Unlock()
	upTo := int(math.Round(float64(last.Sub(w.began)) / w.frameTime))
	for ; w.seen < min(upTo, len(w.sent)); w.seen++ {
		w.latency = append(w.latency, now.Sub(w.sent[w.seen]).Seconds())
		w.lag = append(w.lag, now.Sub(last).Seconds())
	}
}

func (w *watch) unseen() int {
	w.mutex.Lock()
	defer w.mutex.Unlock()
	return len(w.sent) - w.seen
}

func (l *load) run() (report loadReport, err error) {
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	if l.Seconds > 0 {
		ctx, cancel = context.WithTimeout(ctx, time.Duration(l.Seconds*1e9))
		defer cancel()
	}
	go func() {
		_, _ = io.Copy(io.Discard, os.Stdin) // its end is the sign to stop
		cancel()
	}()
	conn, err := journal.Connect(l.URL, journal.ConnectOptions{Name: "load"})
	if err != nil {
		return report, err
	}
	defer conn.Close()
	listener, err := nats.Connect(l.URL)
	if err != nil {
		return report, err
	}
	defer listener.Close()
	began := time.Now()
	watches := make([]*watch, l.Test.Sources)
	for i := range watches {
		w := &watch{began: began, frameTime: float64(l.Test.rowsPerFrame()) * 1e9 / l.Test.RateHz}
		watches[i] = w
		_, err := listener.Subscribe(journal.EnvelopeSubject(streamTestName, l.Test.group(i), l.Test.source(i)), func(m *nats.Msg) {
			if last, ok := lastOf(m.Data); ok {
				w.envelope(last)
			}
		})
		if err != nil {
			return report, err
		}
	}
	if err := listener.Flush(); err != nil {
		return report, err
	}
	payloads := make([]float64, l.Test.Groups)
	failures := make([]error, l.Test.Groups)
	var wait sync.WaitGroup
	for g := range l.Test.Groups {
		wait.Go(func() {
			payloads[g], failures[g] = l.publish(ctx, conn, g, watches)
			if failures[g] != nil {
				cancel()
			}
		})
	}
	wait.Wait()
	if err := errors.Join(failures...); err != nil {
		return report, err
	}
	report.Seconds = time.Since(began).Seconds()
	acknowledged := time.Now()
	for deadline := acknowledged.Add(time.Minute); time.Now().Before(deadline); time.Sleep(20 * time.Millisecond) {
		if !slices.ContainsFunc(watches, func(w *watch) bool { return w.unseen() > 0 }) {
			break
		}
	}
	report.Drain = time.Since(acknowledged).Seconds()
	var latency, first, last []float64
	for g, bytes := range payloads {
		report.Payload += bytes
		for _, i := range l.Test.members(g) {
			w := watches[i]
			report.Unseen += uint64(w.unseen())
			w.mutex.Lock()
			report.Samples += float64(len(w.sent) * l.Test.rowsPerFrame() * l.Test.Channels)
			latency = append(latency, w.latency...)
			tenth := (len(w.lag) + 9) / 10
			first = append(first, w.lag[:tenth]...)
			last = append(last, w.lag[len(w.lag)-tenth:]...)
			w.mutex.Unlock()
		}
	}
	if len(latency) == 0 {
		return report, errors.New("nothing was seen reduced")
	}
	slices.Sort(latency)
	report.Median, report.P99 = median(latency), latency[len(latency)*99/100]
	report.LagStart, report.LagEnd = median(first), median(last)
	return report, nil
}

// publish sends the frames of a group's sources in turn, and returns how many
// bytes they had once all are acknowledged.
func (l *load) publish(ctx context.Context, conn *journal.Conn, group int, watches []*watch) (payload float64, err error) {
	always := context.WithoutCancel(ctx) // what was begun is brought to its end
	j, err := journal.Attach(always, conn, streamTestName, l.Test.group(group))
	if err != nil {
		return 0, err
	}
	p, err := j.NewPipeline(always)
	if err != nil {
		return 0, err
	}
	defer func() { err = errors.Join(err, p.Close()) }()
	members := l.Test.members(group)
	nodes := make([]*node, len(members))
	for i, source := range members {
		nodes[i] = l.Test.node(source, l.Boot, watches[0].began)
	}
	var buffer []byte
	for n := uint64(0); l.Frames == 0 || n < l.Frames; n++ {
		if l.Paced {
			end := float64(n+1) * watches[0].frameTime
			select {
			case <-ctx.Done():
			case <-time.After(time.Until(watches[0].began.Add(time.Duration(end)))):
			}
		}
		if ctx.Err() != nil {
			break
		}
		for i, source := range nodes {
			var h frame.Header
			if h, buffer, err = source.frame(buffer[:0], n); err != nil {
				return payload, err
			}
			watches[members[i]].send()
			if l.Singly {
				_, err = j.Publish(always, h, buffer)
			} else {
				err = p.Frame(always, h, buffer)
			}
			if err != nil {
				return payload, err
			}
			payload += float64(len(buffer))
		}
	}
	_, err = p.Flush(always)
	return payload, err
}

// lastOf finds the time of the newest row in an envelope without reading all
// its columns.
func lastOf(envelope []byte) (time.Time, bool) {
	_, rest, _ := bytes.Cut(envelope, []byte(`"last":"`))
	text, _, found := bytes.Cut(rest, []byte(`"`))
	at, err := time.Parse(time.RFC3339Nano, string(text))
	return at, found && err == nil
}

// start begins to publish in another process. Closing the writer stops it.
func (l load) start() (*exec.Cmd, io.WriteCloser, *bytes.Buffer, error) {
	self, err := os.Executable()
	if err != nil {
		return nil, nil, nil, err
	}
	text, err := json.Marshal(l)
	if err != nil {
		return nil, nil, nil, err
	}
	c := exec.Command(self)
	c.Env = append(os.Environ(), loadVariable+"="+string(text))
	out := new(bytes.Buffer)
	c.Stdout, c.Stderr = out, os.Stderr
	stop, err := c.StdinPipe()
	if err != nil {
		return nil, nil, nil, err
	}
	return c, stop, out, c.Start()
}

// publishAll runs the load generator to its end, or until enough says so.
func (l load) publishAll(enough func() bool) (report loadReport, err error) {
	c, stop, out, err := l.start()
	if err != nil {
		return report, err
	}
	ended := make(chan error, 1)
	go func() { ended <- c.Wait() }()
	look := time.NewTicker(200 * time.Millisecond)
	defer look.Stop()
	for {
		select {
		case err := <-ended:
			if err != nil {
				return report, fmt.Errorf("load generator: %w", err)
			}
			return report, json.Unmarshal(out.Bytes(), &report)
		case <-look.C:
			if enough != nil && enough() {
				enough = nil
				_ = stop.Close() // ends it; how, Wait says
			}
		}
	}
}
