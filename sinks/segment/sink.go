package segment

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"strconv"

	"glueline/pipeline/event"
	"glueline/pipeline/group"
	"glueline/sinks/disk"
)

// Program says what made a file: across versions and architectures values agree
// to 1e-12, within one to the bit.
type Program struct {
	Version      string
	Architecture string
}

// batchRows is the fixed number of rows of a batch in a segment.
const batchRows = 4096

// Sink writes the segments of one group: between two cuts a file a source, and
// a commit record when all of them are on disk.
type Sink struct {
	dir     disk.Folder
	test    string
	plan    *group.Plan
	next    *group.Plan // of what follows; nil when it is plan
	program Program

	sources  map[string]*sourceFile // of the present cut
	parts    map[string]int         // files of the present cut by another plan before, by source
	ended    []File                 // those files
	digests  []string               // and what they say of their constants
	layouts  map[string]layout
	memory   map[string]*Memory // of each source's files
	cut      uint64
	previous string
	events   []event.Event // of the present cut
	beside   Beside        // may be nil
}

// Beside makes something that stands beside a Sink's files, of their rows while these
// are in hand. What of it fails is no failure of the sink.
type Beside interface {
	Append(source string, fields []Field, b *Batch) // rows of the file that a source has in hand; nothing of b is kept
	Commit(source string, f File)                   // that file is on disk, before the record that makes it part of a cut
	Abort()                                         // what is in hand is dropped
}

// Put has something made beside the files.
func (s *Sink) Put(beside Beside) { s.beside = beside }

type sourceFile struct {
	writer  *Writer
	columns []Column // of the batch in hand
	digest  string
}

type layout struct {
	fields []Field
	digest string
}

// NewSink returns a sink for a group's batches that writes into dir.
func NewSink(dir disk.Folder, test string, plan *group.Plan, program Program) *Sink {
	return &Sink{dir: dir, test: test, plan: plan, program: program,
		sources: map[string]*sourceFile{}, parts: map[string]int{}, layouts: map[string]layout{}, memory: map[string]*Memory{}}
}

// ErrResume occurs when the record to go on from is not there.
var ErrResume = errors.New("the commit record of the cut before is missing")

// Resume makes cut the next one, behind the record of the cut before it, which
// must be there. Cuts from there on may be there too: they are made again and
// must have the same bytes.
func (s *Sink) Resume(cut uint64) error {
	s.cut, s.previous = cut, ""
	if cut == 0 {
		return nil
	}
	before := CommitRecord{Group: s.plan.Name, Cut: cut - 1}
	text, err := s.dir.ReadFile(before.Name())
	if err != nil {
		return fmt.Errorf("%w: %w", ErrResume, err)
	}
	sum := sha256.Sum256(text)
	s.previous = hex.EncodeToString(sum[:])
	return nil
}

// At makes cut the next one for Files, whose record somebody else chains to that
// of the cut before.
func (s *Sink) At(cut uint64) { s.cut, s.previous = cut, "" }

// Append takes the rows of a batch.
func (s *Sink) Append(b *group.Batch) error {
	if err := s.turn(); err != nil {
		return err
	}
	f := s.sources[b.Source]
	if f == nil {
		var err error
		if f, err = s.begin(b.Source); err != nil {
			return err
		}
	}
	for i := range b.Columns {
		f.columns[i] = Column{Float: b.Columns[i].Float, Flags: b.Columns[i].Flags}
	}
	rows := Batch{Rows: b.Rows, Time: b.Time, Counter: b.Counter, Columns: f.columns}
	if s.beside != nil {
		s.beside.Append(b.Source, s.layouts[b.Source].fields, &rows)
	}
	return f.writer.Append(rows)
}

func (s *Sink) begin(source string) (*sourceFile, error) {
	l, ok := s.layouts[source]
	if !ok {
		var err error
		if l.fields, l.digest, err = Layout(s.plan, source); err != nil {
			return nil, err
		}
		s.layouts[source] = l
	}
	metadata := [][2]string{
		{"test", s.test},
		{"group", s.plan.Name},
		{"source", source},
		{"cut", strconv.FormatUint(s.cut, 10)},
		{"calibration", l.digest},
		{"program", s.program.Version},
		{"architecture", s.program.Architecture},
		{"flags", flagLegend()},
	}
	name := fmt.Sprintf("%s.%08d.%s.arrow", s.plan.Name, s.cut, source)
	if part := s.parts[source]; part > 0 {
		metadata = append(metadata, [2]string{"part", strconv.Itoa(part)})
		name = fmt.Sprintf("%s.%08d.%s.part-%d.arrow", s.plan.Name, s.cut, source, part)
	}
	memory := s.memory[source]
	if memory == nil {
		memory = new(Memory)
		s.memory[source] = memory
	}
	w, err := memory.Create(s.dir, name, l.fields, metadata, batchRows)
	if err != nil {
		return nil, err
	}
	f := &sourceFile{writer: w, columns: make([]Column, len(l.fields)-2), digest: l.digest}
	s.sources[source] = f
	return f, nil
}

// clockAhead is the metadata of time that says by how many ns a source's clock was
// ahead, which was taken off the times of its raw readings; absent for none.
const clockAhead = "clock_ahead_ns"

// ClockAhead is what was taken off the times of a file's raw readings, in ns.
func ClockAhead(fields []Field) (int64, error) {
	for _, m := range fields[0].Metadata {
		if m[0] == clockAhead {
			return strconv.ParseInt(m[1], 10, 64)
		}
	}
	return 0, nil
}

// Layout describes a source's file so that it can be understood alone: its
// fields with the constants of each, and the digest of the source's calibration.
func Layout(p *group.Plan, source string) (fields []Field, digest string, err error) {
	calibration, digest, err := p.Calibration(source)
	if err != nil {
		return nil, "", fmt.Errorf("calibration of source %s: %w", source, err)
	}
	constants := map[string]string{}
	for _, c := range calibration.Channels {
		text, err := json.Marshal(c)
		if err != nil {
			return nil, "", fmt.Errorf("constants of channel %s: %w", c.Name, err)
		}
		constants[c.Name] = string(text)
	}
	at := Field{Name: "time", Kind: Time}
	if ahead := p.ClockAhead(source); ahead != 0 {
		at.Metadata = [][2]string{{clockAhead, strconv.FormatInt(ahead, 10)}}
	}
	fields = []Field{
		at,
		{Name: "sample", Kind: Counter},
	}
	for _, f := range p.Fields(source) {
		field := Field{Name: f.Name, Unit: f.Unit, Kind: Float, Metadata: [][2]string{{"quantity", string(f.Quantity)}, {"of", f.Of}}}
		if f.Kind == group.Flags {
			field.Kind = Flags
		}
		if f.Note != "" {
			field.Metadata = append(field.Metadata, [2]string{"note", f.Note})
		}
		switch f.Quantity {
		case group.Strain, group.Shear, group.Indicated:
			field.Metadata = append(field.Metadata, [2]string{"constants", constants[f.Of]})
		}
		fields = append(fields, field)
	}
	return fields, digest, nil
}

// Cut commits the files since the last cut. A cut without rows has a record too,
// so that cuts count alike wherever they are made.
func (s *Sink) Cut(zeros []group.ZeroInForce) error {
	record, err := s.Files(zeros)
	if err != nil {
		return err
	}
	record.Previous = s.previous
	text, err := record.Encode()
	if err != nil {
		return err
	}
	if err := WriteRecord(s.dir, record.Name(), text); err != nil {
		return err
	}
	sum := sha256.Sum256(text)
	s.previous = hex.EncodeToString(sum[:])
	return nil
}

// Files has the files since the last cut on disk under their names, and returns
// the record that makes them a cut: all of it but the hash of the record before.
// Nobody has written it.
func (s *Sink) Files(zeros []group.ZeroInForce) (CommitRecord, error) {
	if err := errors.Join(s.turn(), s.end()); err != nil {
		return CommitRecord{}, err
	}
	record := CommitRecord{
		Version: RecordVersion, Test: s.test, Group: s.plan.Name, Cut: s.cut,
		Program: s.program.Version, Architecture: s.program.Architecture, Files: append([]File{}, s.ended...),
		Calibration: Constants(s.digests),
	}
	for _, z := range zeros {
		if z.Standing == group.InForce {
			record.Zeros = append(record.Zeros, zeroOf(z))
		} else {
			record.OtherZeros = append(record.OtherZeros, zeroOf(z))
		}
	}
	record.Load, record.Events = s.plan.Load(), s.events
	s.cut++
	s.events, s.ended, s.digests = nil, nil, nil
	clear(s.parts)
	return record, nil
}

// Constants is what a record says of the constants of its files, by their digests.
func Constants(digests []string) string {
	sum := sha256.New()
	for _, d := range digests {
		sum.Write([]byte(d))
	}
	return hex.EncodeToString(sum.Sum(nil))
}

// end commits the files in hand.
func (s *Sink) end() error {
	for _, source := range s.plan.Sources() {
		f := s.sources[source]
		if f == nil {
			continue
		}
		file, err := f.writer.Commit()
		if err != nil {
			return err
		}
		delete(s.sources, source)
		if s.beside != nil {
			s.beside.Commit(source, file)
		}
		s.parts[source]++
		s.ended = append(s.ended, file)
		s.digests = append(s.digests, f.digest)
	}
	return nil
}

// Use has what follows written by another plan of the group, into files of their
// own where a cut has some already: a file has one set of constants.
func (s *Sink) Use(plan *group.Plan) { s.next = plan }

// turn changes to the plan that Use named.
func (s *Sink) turn() error {
	if s.next == nil {
		return nil
	}
	if err := s.end(); err != nil {
		return err
	}
	s.plan, s.next = s.next, nil
	clear(s.layouts)
	return nil
}

// Event keeps an event for the commit record. Where files end is no doing of
// people's, and which constants they have is said beside them.
func (s *Sink) Event(e event.Event) {
	if e.Event != event.Cut && e.Event != event.Calibration {
		s.events = append(s.events, e)
	}
}

// Abort drops what was appended since the last cut.
func (s *Sink) Abort() error {
	s.events, s.ended, s.digests = nil, nil, nil
	clear(s.parts)
	if s.beside != nil {
		s.beside.Abort()
	}
	var err error
	for _, source := range s.plan.Sources() {
		if f := s.sources[source]; f != nil {
			err = errors.Join(err, f.writer.Abort())
			delete(s.sources, source)
		}
	}
	return err
}
