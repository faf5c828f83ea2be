package faults

import (
	"bufio"
	"context"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"glueline/pipeline/frame"
	"glueline/pipeline/group"
	"glueline/pipeline/journal"
)

// loadVariable makes the test program a publisher: the load generator.
const loadVariable = "GLUELINE_TEST_LOAD"

func init() { roles[loadVariable] = runLoad }

// load says what to publish.
type load struct {
	URL      string
	TestFile string
	Boot     string
	Log      string        // file in which what was acknowledged is noted
	Pause    time.Duration // between the frames of a source
	Sources  []string      // none: all
}

const (
	bufferBytes  = 1 << 20 // that a publisher may hold
	rowsPerFrame = 50
	firstTime    = 1_772_352_000_000_000_000 // 2026-03-01T08:00:00Z
)

// frameOf makes the n-th frame of a source: always the same.
func frameOf(source, boot string, n uint64) *frame.Frame {
	f := &frame.Frame{Source: source, Boot: boot, Number: n, Counter: n * rowsPerFrame, Counted: source != "logger"}
	step := int64(1e6)
	if source == "logger" {
		step = 1e7
	}
	for row := range int64(rowsPerFrame) {
		f.Time = append(f.Time, firstTime+(int64(n)*rowsPerFrame+row)*step)
	}
	value := func(row, column int) float64 {
		x := float64(f.Time[row]-firstTime) / 1e9
		return math.Sin(x*(2+float64(column))) + 1e-3*float64((uint64(row)*7+n*13+uint64(column)*5)%17)
	}
	float := func(name, unit string, scale float64) {
		c := frame.Column{Name: name, Unit: unit}
		for row := range f.Time {
			c.Float = append(c.Float, scale*value(row, len(f.Columns)))
		}
		f.Columns = append(f.Columns, c)
	}
	switch source {
	case "node":
		for i := range 4 {
			float(strconv.Itoa(i+1), "mV/V", 1)
		}
	case "logger":
		float("T", "degC", 20)
	case "far":
		for i := range 4 {
			c := frame.Column{Name: strconv.Itoa(i + 1), Unit: "count"}
			for row := range f.Time {
				c.Counts = append(c.Counts, int32(1e6*value(row, i)))
			}
			f.Columns = append(f.Columns, c)
		}
	}
	return f
}

// hashOf is over a frame's times and columns, little endian, as they stand in a
// file of the raw archive.
func hashOf(f *frame.Frame) string {
	h := sha256.New()
	var word [8]byte
	for _, at := range f.Time {
		binary.LittleEndian.PutUint64(word[:], uint64(at))
		h.Write(word[:])
	}
	for _, c := range f.Columns {
		for _, v := range c.Float {
			binary.LittleEndian.PutUint64(word[:], math.Float64bits(v))
			h.Write(word[:])
		}
		for _, v := range c.Counts {
			binary.LittleEndian.PutUint32(word[:4], uint32(v))
			h.Write(word[:4])
		}
	}
	return hex.EncodeToString(h.Sum(nil))
}

// runLoad publishes all sources until its standard input ends, then waits until
// everything is acknowledged.
func runLoad(text string) int {
	var l load
	err := json.Unmarshal([]byte(text), &l)
	if err == nil {
		err = l.run()
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, "load:", err)
		return 1
	}
	return 0
}

func (l *load) run() error {
	plans, err := plansOf(l.TestFile)
	if err != nil {
		return err
	}
	log, err := os.OpenFile(l.Log, os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	if err != nil {
		return err
	}
	defer log.Close()
	conn, err := journal.Connect(l.URL, journal.ConnectOptions{Name: "load"})
	if err != nil {
		return err
	}
	defer conn.Close()
	ctx, cancel := context.WithCancel(context.Background())
	go func() {
		_, _ = io.Copy(io.Discard, os.Stdin) // its end is the sign to stop
		cancel()
	}()
	var wait sync.WaitGroup
	var mutex sync.Mutex // of the log
	failed := make(chan error, 16)
	for _, p := range plans {
		j, err := journal.Attach(ctx, conn, benchName, p.Name)
		if err != nil {
			return err
		}
		for _, source := range l.sources(p) {
			wait.Add(1)
			go func() {
				defer wait.Done()
				if err := l.publish(ctx, j, source, log, &mutex); err != nil {
					failed <- err
					cancel()
				}
			}()
		}
	}
	wait.Wait()
	close(failed)
	for e := range failed {
		err = errors.Join(err, e)
	}
	return err
}

const benchName = "bench frame"

func (l *load) sources(p *group.Plan) []string {
	if len(l.Sources) == 0 {
		return p.Sources()
	}
	var out []string
	for _, s := range p.Sources() {
		for _, want := range l.Sources {
			if s == want {
				out = append(out, s)
			}
		}
	}
	return out
}

// publish sends one source's frames, notes each that is acknowledged, and prints
// how many bytes it held at most.
func (l *load) publish(ctx context.Context, j *journal.Journal, source string, log *os.File, mutex *sync.Mutex) error {
	p, err := j.NewPublisher(source, l.Boot, journal.PublisherOptions{MaxBytes: bufferBytes})
	if err != nil {
		return err
	}
	var hashes []string
	noted, held := uint64(0), 0
	note := func() error {
		acknowledged := p.Status().Acknowledged
		if noted == acknowledged {
			return nil
		}
		var lines strings.Builder
		for ; noted < acknowledged; noted++ {
			fmt.Fprintf(&lines, "%s %s %d %s\n", source, l.Boot, noted, hashes[noted])
		}
		mutex.Lock()
		defer mutex.Unlock()
		if _, err := log.WriteString(lines.String()); err != nil {
			return err
		}
		return log.Sync()
	}
	for n := uint64(0); ctx.Err() == nil; n++ {
		f := frameOf(source, l.Boot, n)
		hashes = append(hashes, hashOf(f))
		if err := p.Send(ctx, f); err != nil && ctx.Err() == nil {
			return err
		}
		held = max(held, p.Status().WaitingBytes)
		if err := note(); err != nil {
			return err
		}
		select {
		case <-ctx.Done():
		case <-time.After(l.Pause):
		}
	}
	fmt.Println(held)
	ending, cancel := context.WithTimeout(context.Background(), within)
	defer cancel()
	return errors.Join(p.Close(ending), note())
}

// generator is a load generator at work.
type generator struct {
	t    testing.TB
	load load
	cmd  *exec.Cmd
	in   io.Closer
	said *output
	held *output // what each publisher held at most
}

func generate(t testing.TB, l load) *generator {
	t.Helper()
	g := &generator{t: t, load: l, said: new(output), held: new(output)}
	g.cmd = exec.Command(must(os.Executable())(t))
	g.cmd.Env = append(os.Environ(), loadVariable+"="+string(must(json.Marshal(l))(t)))
	g.cmd.Stdout, g.cmd.Stderr = g.held, g.said
	g.in = must(g.cmd.StdinPipe())(t)
	if err := g.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if g.cmd.ProcessState == nil {
			_ = g.cmd.Process.Signal(syscall.SIGKILL)
			_ = g.cmd.Wait()
		}
	})
	return g
}

// stop lets the generator end, once everything is acknowledged.
func (g *generator) stop() {
	g.t.Helper()
	if err := g.in.Close(); err != nil {
		g.t.Fatal(err)
	}
	if err := g.cmd.Wait(); err != nil {
		g.t.Fatalf("load generator: %v\n%s", err, g.said)
	}
}

// waited is the least and the most that publishers held at a time, in bytes,
// once the generator has stopped.
func (g *generator) waited() (least, most int) {
	g.t.Helper()
	least = math.MaxInt
	for _, text := range strings.Fields(g.held.String()) {
		held := must(strconv.Atoi(text))(g.t)
		least, most = min(least, held), max(most, held)
	}
	return least, most
}

// acknowledged reads the log: the hashes by source, boot and number.
func (g *generator) acknowledged() map[string]string {
	g.t.Helper()
	f := must(os.Open(g.load.Log))(g.t)
	defer f.Close()
	all := map[string]string{}
	lines := bufio.NewScanner(f)
	for lines.Scan() {
		at := strings.LastIndexByte(lines.Text(), ' ')
		all[lines.Text()[:at]] = lines.Text()[at+1:]
	}
	if err := lines.Err(); err != nil {
		g.t.Fatal(err)
	}
	return all
}
