package main

import (
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"

	"glueline/pipeline/channel"
	"glueline/pipeline/event"
	"glueline/pipeline/group"
	"glueline/pipeline/steps"
	"glueline/sinks/segment"
)

// consoleHistory is what the commit records of the revision that holds say: each
// is read once, however long the test is and however often somebody asks.
type consoleHistory struct {
	mutex     sync.Mutex
	dir       string
	seen      map[string]bool
	stretches map[string][]stretch // by channel, in the order of time
	constants map[string]*group.ChannelConstants
	records   []recordSpan
	events    [][]event.Event // of each record
	merged    []event.Event   // nil when there is a newer record
	zeros     []zeroOfCut
}

// stretch is a file's time with the constants and zeros that a channel has there.
type stretch struct {
	first, last int64 // ns since 1970 UTC
	constants   *group.ChannelConstants
	zeros       []segment.Zero
}

// recordSpan is when the rows of a commit record are.
type recordSpan struct {
	path        string
	first, last int64
}

// zeroOfCut is a zero that a commit record names for the first time.
type zeroOfCut struct {
	group string
	zero  segment.Zero
}

// refresh reads what was committed since, under the mutex.
func (h *consoleHistory) refresh(data string) error {
	dir, err := resultsIn(data)
	if err != nil {
		return err
	}
	if h.dir != dir {
		h.dir, h.seen, h.stretches, h.constants = dir, map[string]bool{}, map[string][]stretch{}, map[string]*group.ChannelConstants{}
		h.records, h.events, h.merged, h.zeros = nil, nil, nil, nil
	}
	entries, err := os.ReadDir(dir)
	if err != nil {
		return err
	}
	for _, e := range entries { // by their names, so that cuts of a group follow each other
		if strings.HasSuffix(e.Name(), ".commit.json") && !h.seen[e.Name()] {
			if err := h.learn(e.Name()); err != nil {
				return err
			}
			h.seen[e.Name()], h.merged = true, nil
		}
	}
	return nil
}

func (h *consoleHistory) learn(name string) error {
	path := filepath.Join(h.dir, name)
	r, err := segment.ReadCommit(path)
	if err != nil {
		return err
	}
	h.events = append(h.events, r.Events)
	zeros := map[string][]segment.Zero{}
	for _, z := range slices.Concat(r.OtherZeros, r.Zeros) {
		zeros[z.Channel] = append(zeros[z.Channel], z)
		h.keep(r.Group, z)
	}
	span := recordSpan{path, math.MaxInt64, math.MinInt64}
	for _, f := range r.Files {
		if f.Rows == 0 {
			continue
		}
		span.first, span.last = min(span.first, f.FirstTime), max(span.last, f.LastTime)
		if err := h.learnFile(f, zeros); err != nil {
			return err
		}
	}
	if span.first <= span.last {
		h.records = append(h.records, span)
	}
	return nil
}

// learnFile takes the constants of a file's channels from its head.
func (h *consoleHistory) learnFile(f segment.File, zeros map[string][]segment.Zero) error {
	s, err := segment.ReadCommitted(h.dir, f)
	if err != nil {
		return err
	}
	defer s.Close() // only read
	for _, field := range s.Fields[2:] {
		text := metadata(field, "constants")
		if text == "" {
			continue
		}
		c := h.constants[text]
		if c == nil {
			read, err := group.ReadConstants(text)
			if err != nil {
				return fmt.Errorf("%s: %w", f.Name, err)
			}
			c = &read
			h.constants[text] = c
		}
		of := metadata(field, "of")
		all := h.stretches[of]
		i, _ := slices.BinarySearchFunc(all, f.FirstTime, func(x stretch, t int64) int {
			if x.first <= t {
				return -1
			}
			return 1
		})
		h.stretches[of] = slices.Insert(all, i, stretch{f.FirstTime, f.LastTime, c, zeros[of]})
	}
	return nil
}

// keep remembers a zero once, as the newest record has it.
func (h *consoleHistory) keep(of string, z segment.Zero) {
	for i := range h.zeros {
		k := &h.zeros[i].zero
		if k.Channel == z.Channel && k.Kind == z.Kind && k.Name == z.Name && k.From == z.From && k.To == z.To {
			*k = z
			return
		}
	}
	h.zeros = append(h.zeros, zeroOfCut{of, z})
}

// allEvents are those of all groups, each once, in the order of time.
func (h *consoleHistory) allEvents(data string) ([]event.Event, error) {
	h.mutex.Lock()
	defer h.mutex.Unlock()
	if err := h.refresh(data); err != nil {
		return nil, err
	}
	if h.merged == nil {
		h.merged = steps.Merge(h.events...)
	}
	return h.merged, nil
}

// near are the commit records with rows at a time, or else next to it.
func (h *consoleHistory) near(data string, at int64) (dir string, paths []string, err error) {
	h.mutex.Lock()
	defer h.mutex.Unlock()
	if err := h.refresh(data); err != nil {
		return "", nil, err
	}
	const around = int64(60e9) // sources of one moment are cut that far apart at most, or each has a record of its own below
	for _, r := range h.records {
		if r.first-around <= at && at <= r.last+around {
			paths = append(paths, r.path)
		}
	}
	if len(paths) == 0 {
		for _, r := range h.records {
			paths = append(paths, r.path)
		}
	}
	return h.dir, paths, nil
}

// readyAt is a channel as the reduction had it at some time.
type readyAt struct {
	channel     *channel.Channel
	temperature string // name; "" where it has none
	leads       string
}

// readyMaker makes channels ready, each pair of constants and zero once.
type readyMaker struct {
	stretches []stretch
	made      map[readyKey]*readyAt
}

type readyKey struct {
	constants *group.ChannelConstants
	wire      string
	zero      channel.Zero
}

func (h *consoleHistory) ready(data, name string) (*readyMaker, error) {
	h.mutex.Lock()
	defer h.mutex.Unlock()
	if err := h.refresh(data); err != nil {
		return nil, err
	}
	return &readyMaker{slices.Clone(h.stretches[name]), map[readyKey]*readyAt{}}, nil
}

// at is nil where the channel had no zero.
func (m *readyMaker) at(t int64) (*readyAt, error) {
	i, _ := slices.BinarySearchFunc(m.stretches, t, func(x stretch, t int64) int {
		if x.first <= t {
			return -1
		}
		return 1
	})
	if i == 0 {
		return nil, nil
	}
	s := &m.stretches[i-1]
	wire := s.constants.At(t)
	zero := zeroInForce(s.zeros, t)
	if wire == nil || zero == nil || zero.Ratio == nil {
		return nil, nil
	}
	z, gauge, leads := zero.OfGroup().Zero, s.constants.Temperature, wire.LeadsAt
	// Nothing is corrected for a temperature that the zero does not know: any value
	// does, on both sides.
	if math.IsNaN(z.Temperature) {
		z.Temperature, gauge = notCorrected, ""
	}
	if math.IsNaN(z.LeadTemperature) {
		z.LeadTemperature, leads = notCorrected, ""
	}
	key := readyKey{s.constants, wire.Input, z}
	if r := m.made[key]; r != nil {
		return r, nil
	}
	ch, err := channel.New(wire.Constants, z)
	if err != nil {
		return nil, err
	}
	m.made[key] = &readyAt{ch, gauge, leads}
	return m.made[key], nil
}

const notCorrected = 20 // degC, the value that the reduction takes then

// zeroInForce is the one that counted at a time, of those that a record names.
func zeroInForce(zeros []segment.Zero, t int64) (found *segment.Zero) {
	for i := range zeros {
		z := &zeros[i]
		switch group.Standing(z.Standing) {
		case group.InForce, group.Replaced:
		default:
			continue
		}
		if z.Until != 0 && t >= z.Until || z.To > t && z.Standing != string(group.InForce) {
			continue
		}
		if found == nil || z.To <= t && z.To >= found.To {
			found = z
		}
	}
	return found
}
