package archive

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"sort"
	"strconv"

	"glueline/pipeline/frame"
	"glueline/pipeline/worker"
	"glueline/sinks/disk"
	"glueline/sinks/segment"
)

// batchRows is the fixed number of rows of a batch in a raw file.
const batchRows = 4096

// Sink writes the raw archive of one group. Frames and events come in the
// group's order; each has a place in it.
type Sink struct {
	dir         disk.Folder
	test, group string
	program     segment.Program

	cut      uint64
	previous string
	sources  map[string]*source         // of the present cut
	memory   map[string]*segment.Memory // of each source's files
	parts    []*source                  // whose source went on with other columns
	events   []worker.PlacedEvent
}

// source is a source's file in the present cut.
type source struct {
	name    string
	part    int            // counts the changes of columns within a cut
	columns []frame.Column // names, units and forms
	writer  *segment.Writer
	places  []uint64
	batch   []segment.Column
	runs    []Run
	next    Run // what the next frame has when it goes on
}

// NewSink goes on behind a group's newest record, which may be nil.
func NewSink(dir disk.Folder, test, group string, program segment.Program, newest *Record) (*Sink, error) {
	s := &Sink{dir: dir, test: test, group: group, program: program, sources: map[string]*source{}, memory: map[string]*segment.Memory{}}
	if newest != nil {
		text, err := newest.Encode()
		if err != nil {
			return nil, err
		}
		sum := sha256.Sum256(text)
		s.cut, s.previous = newest.Cut+1, hex.EncodeToString(sum[:])
	}
	return s, nil
}

func (src *source) fits(f *frame.Frame) bool {
	if len(f.Columns) != len(src.columns) {
		return false
	}
	for i, c := range f.Columns {
		if c.Name != src.columns[i].Name || c.Unit != src.columns[i].Unit || (c.Counts != nil) != (src.columns[i].Counts != nil) {
			return false
		}
	}
	return true
}

// Append takes a frame and its place. Nothing of the frame is kept.
func (s *Sink) Append(f *frame.Frame, place uint64) error {
	src := s.sources[f.Source]
	if src == nil || !src.fits(f) {
		part := 0
		if src != nil {
			s.parts = append(s.parts, src)
			part = src.part + 1
		}
		var err error
		if src, err = s.begin(f, part); err != nil {
			return err
		}
		s.sources[f.Source] = src
	}
	src.note(f)
	src.places = src.places[:0]
	for range f.Rows() {
		src.places = append(src.places, place)
	}
	for i, c := range f.Columns {
		src.batch[i] = segment.Column{Float: c.Float, Counts: c.Counts, Valid: c.Valid}
	}
	return src.writer.Append(segment.Batch{Rows: f.Rows(), Time: f.Time, Counter: src.places, Columns: src.batch})
}

func (s *Sink) begin(f *frame.Frame, part int) (*source, error) {
	fields := []segment.Field{{Name: "time", Kind: segment.Time}, {Name: "place", Kind: segment.Counter}}
	src := &source{name: f.Source, part: part, batch: make([]segment.Column, len(f.Columns))}
	for _, c := range f.Columns {
		field := segment.Field{Name: c.Name, Unit: c.Unit, Kind: segment.Float}
		form := frame.Column{Name: c.Name, Unit: c.Unit}
		if c.Counts != nil {
			field.Kind = segment.Counts
			form.Counts = []int32{}
		}
		fields = append(fields, field)
		src.columns = append(src.columns, form)
	}
	metadata := [][2]string{
		{"test", s.test}, {"group", s.group}, {"source", f.Source}, {"cut", strconv.FormatUint(s.cut, 10)},
		{"content", "raw readings as they came; place is that of a row's frame in the order of its group"},
		{"program", s.program.Version}, {"architecture", s.program.Architecture},
	}
	name := fmt.Sprintf("%s.%08d.%s.arrow", s.group, s.cut, f.Source)
	if part > 0 {
		metadata = append(metadata, [2]string{partKey, strconv.Itoa(part)})
		name = fmt.Sprintf("%s.%08d.%s.part-%d.arrow", s.group, s.cut, f.Source, part)
	}
	var err error
	memory := s.memory[f.Source]
	if memory == nil {
		memory = new(segment.Memory)
		s.memory[f.Source] = memory
	}
	src.writer, err = memory.Create(s.dir, name, fields, metadata, batchRows)
	return src, err
}

// note adds a frame to the runs.
func (src *source) note(f *frame.Frame) {
	n := len(src.runs)
	goesOn := n > 0 && src.next.Boot == f.Boot && src.next.Number == f.Number &&
		src.next.Counted == f.Counted && (!f.Counted || src.next.Counter == f.Counter) && src.next.Late == f.Late
	if !goesOn {
		run := Run{Source: src.name, Part: src.part, Boot: f.Boot, Number: f.Number, Counted: f.Counted, Late: f.Late}
		if f.Counted {
			run.Counter = f.Counter
		}
		src.runs = append(src.runs, run)
		n++
	}
	src.next = Run{Boot: f.Boot, Number: f.Number + 1, Counter: f.Counter + uint64(f.Rows()), Counted: f.Counted, Late: f.Late}
	src.runs[n-1].Frames++
}

// Event takes an event and its place.
func (s *Sink) Event(e worker.PlacedEvent) { s.events = append(s.events, e) }

// Cut makes what came since the last cut durable.
func (s *Sink) Cut(end worker.End) error {
	r := &Record{
		Version: RecordVersion, Test: s.test, Group: s.group, Cut: s.cut,
		Journal: end.Journal, First: end.First, Last: end.Last, CutBytes: end.CutBytes, Calibration: end.Calibration, Revision: end.Revision,
		Files: []segment.File{}, Runs: []Run{}, Events: s.events, Refused: end.Refused, Repeated: end.Repeated, State: end.State,
		Program: s.program.Version, Architecture: s.program.Architecture, Previous: s.previous,
	}
	for _, src := range s.open() {
		file, err := src.writer.Commit()
		if err != nil {
			return err
		}
		r.Files = append(r.Files, file)
		r.Runs = append(r.Runs, src.runs...)
	}
	text, err := r.Encode()
	if err != nil {
		return err
	}
	if err := segment.WriteRecord(s.dir, name(s.group, s.cut), text); err != nil {
		return err
	}
	sum := sha256.Sum256(text)
	s.previous = hex.EncodeToString(sum[:])
	s.forget()
	s.cut++
	return nil
}

// Cuts is how many cuts are durable.
func (s *Sink) Cuts() uint64 { return s.cut }

// Abort drops what came since the last cut.
func (s *Sink) Abort() error {
	var err error
	for _, src := range s.open() {
		err = errors.Join(err, src.writer.Abort())
	}
	s.forget()
	return err
}

func (s *Sink) forget() {
	clear(s.sources)
	s.parts, s.events = nil, nil
}

// open lists the files of the present cut by source and part.
func (s *Sink) open() []*source {
	open := append([]*source(nil), s.parts...)
	for _, src := range s.sources {
		open = append(open, src)
	}
	sort.Slice(open, func(i, j int) bool {
		if open[i].name != open[j].name {
			return open[i].name < open[j].name
		}
		return open[i].part < open[j].part
	})
	return open
}
