//go:build unix

package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"runtime"
	"runtime/pprof"
	"strconv"
	"time"

	"glueline/pipeline/frame"
	"glueline/pipeline/group"
	"glueline/pipeline/journal"
	"glueline/pipeline/worker"
	"glueline/sinks/archive"
	"glueline/sinks/disk"
	"glueline/sinks/segment"
)

// allocations is how much memory decoding, reduction, raw archive and segments
// ask for, to the payload of what comes. The messages are made before. What is
// made once, at the start, is told apart by a run of twice the length.
func allocations(s *settings) error {
	t := streamTest{Sources: 4, Channels: 250, RateHz: 10_000, Groups: 1}
	plan, err := t.plan()
	if err != nil {
		return err
	}
	const cuts = 3
	perCut := (worker.CutBytes + t.rawFrameBytes() - 1) / t.rawFrameBytes()
	messages, err := t.messages(plan, 2*cuts*perCut)
	if err != nil {
		return err
	}
	var payload, allocated [2]float64
	for i := range payload {
		part := messages[:(i+1)*cuts*perCut]
		for _, m := range part {
			payload[i] += float64(len(m.Data))
		}
		if allocated[i], err = s.allocate(plan, part); err != nil {
			return err
		}
	}
	if err := s.writeAllocations(); err != nil {
		return err
	}
	more := (allocated[1] - allocated[0]) / (payload[1] - payload[0])
	fmt.Printf("Stream, memory asked for by decoding, reduction, raw archive and segments: %.2f GB in %d frames and %d cuts\n", payload[1]/1e9, len(messages), 2*cuts)
	figure("bytes allocated to a byte of payload, going on", "%.2f; bar 1.6 %s", more, verdict(more <= 1.6))
	figure("the same with what is made once, at the start", "%.2f, of which %.0f MB are made once", allocated[1]/payload[1], (allocated[1]-more*payload[1])/1e6)
	return nil
}

// rawFrameBytes is what the rows of a frame count for a cut.
func (t streamTest) rawFrameBytes() int { return t.rowsPerFrame() * (8 + 4*t.Channels) }

// messages are frames as the journal gives them.
func (t streamTest) messages(plan *group.Plan, count int) ([]journal.Message, error) {
	nodes := make([]*node, t.Sources)
	for i := range nodes {
		nodes[i] = t.node(i, "allocations", time.Now())
	}
	messages := make([]journal.Message, count)
	var h frame.Header
	var buffer []byte
	for i := range messages {
		var err error
		if h, buffer, err = nodes[i%t.Sources].frame(buffer[:0], uint64(i/t.Sources)); err != nil {
			return nil, err
		}
		messages[i] = journal.Message{
			Seq: uint64(i + 1), Kind: journal.FrameMessage, Source: h.Source, Subject: journal.FrameSubject(streamTestName, plan.Name, h.Source), Data: bytes.Clone(buffer),
			Header: map[string][]string{
				frame.HeaderSource: {h.Source}, frame.HeaderBoot: {h.Boot},
				frame.HeaderFrame: {strconv.FormatUint(h.Number, 10)}, frame.HeaderCounter: {strconv.FormatUint(h.Counter, 10)},
			},
		}
	}
	return messages, nil
}

// list gives messages, and then waits for ctx to end.
type list struct{ messages []journal.Message }

func (l *list) Next(ctx context.Context) (journal.Message, error) {
	if len(l.messages) == 0 {
		<-ctx.Done()
		return journal.Message{}, ctx.Err()
	}
	m := l.messages[0]
	l.messages = l.messages[1:]
	return m, nil
}

// allocate takes messages, which must end with a cut, to files, and returns how
// many bytes were asked for meanwhile.
func (s *settings) allocate(plan *group.Plan, messages []journal.Message) (asked float64, err error) {
	folder := filepath.Join(s.scratch, "allocations")
	defer func() { err = errors.Join(err, os.RemoveAll(folder)) }()
	raw, reduced := filepath.Join(folder, "raw"), filepath.Join(folder, "r1")
	for _, dir := range []string{raw, reduced} {
		if err := os.MkdirAll(dir, 0o755); err != nil {
			return 0, err
		}
	}
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	program := segment.Program{Version: "bench", Architecture: runtime.GOARCH}
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	archived, err := archive.NewSink(disk.At(raw), streamTestName, plan.Name, program, nil)
	if err != nil {
		return 0, err
	}
	last := messages[len(messages)-1].Seq
	ended := false
	live := worker.Live{
		Plan: plan, Identity: "bench", Archive: archived, Quarantine: refuseNothing, Log: slog.New(slog.DiscardHandler),
		Sinks: []worker.Sink{segment.NewSink(disk.At(reduced), streamTestName, plan, program)},
		Committed: func(end worker.End) {
			if end.Journal.Last == last {
				ended = true
				cancel()
			}
		},
	}
	waiting, stop := context.WithTimeout(ctx, 5*time.Minute) // for a last cut that does not come
	defer stop()
	if err := live.Run(waiting, &list{messages}); err != nil {
		return 0, err
	}
	if !ended {
		return 0, errors.New("the last message made no cut")
	}
	runtime.ReadMemStats(&after)
	return float64(after.TotalAlloc - before.TotalAlloc), nil
}

// writeAllocations writes who allocated, for go tool pprof, when that is asked for.
func (s *settings) writeAllocations() error {
	if s.profile == "" {
		return nil
	}
	f, err := os.Create(s.profile)
	if err != nil {
		return err
	}
	return errors.Join(pprof.Lookup("allocs").WriteTo(f, 0), f.Close())
}
