package overview

import (
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"math"
	"os"
	"path/filepath"

	"glueline/sinks/segment"
)

const (
	magic    = "glueline overview 1\n"
	rowsABin = 128
	fan      = 8
	timeSize = 16
	binSize  = 32
	mostHead = 1 << 20
	suffix   = ".overview"
)

// ErrDamaged occurs for a file that is not what was written. It is made again.
var ErrDamaged = errors.New("damaged overview")

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// Bin is what is kept of some consecutive samples of a column.
type Bin struct {
	First, Last    int64 // ns since 1970 UTC, of its rows
	Min, Max, Mean float64
	N              uint32 // samples with a value
	Flags          uint32 // of all rows
}

type header struct {
	Segment string   `json:"segment"`
	SHA256  string   `json:"sha256"`
	Rows    int64    `json:"rows"`
	Columns []string `json:"columns"`
}

// binsOf is how many bins a level has; level 0 is the finest.
func binsOf(rows int64, level int) int64 {
	n := (rows + rowsABin - 1) / rowsABin
	for ; level > 0; level-- {
		n = (n + fan - 1) / fan
	}
	return n
}

func levelsOf(rows int64) (n int) {
	for rows > 0 {
		n++
		if binsOf(rows, n-1) == 1 {
			return n
		}
	}
	return 0
}

// place is where a block stands: column -1 is the times.
func (h *header) place(start int64, level, column int) (offset, length int64) {
	for l := range level {
		n := binsOf(h.Rows, l)
		start += n*timeSize + 4 + int64(len(h.Columns))*(n*binSize+4)
	}
	n := binsOf(h.Rows, level)
	if column < 0 {
		return start, n * timeSize
	}
	return start + n*timeSize + 4 + int64(column)*(n*binSize+4), n * binSize
}

// gather is a bin in the making.
type gather struct {
	min, max, sum float64
	n, flags      uint32
}

func none() gather { return gather{min: math.Inf(1), max: math.Inf(-1)} }

func (g *gather) add(x gather) {
	g.min, g.max, g.sum = min(g.min, x.min), max(g.max, x.max), g.sum+x.sum
	g.n += x.n
	g.flags |= x.flags
}

type span struct{ first, last int64 }

// make1 makes a segment's overview file in folder cache; the same segment gives the
// same bytes.
func make1(dir, cache string, f segment.File) (err error) {
	s, err := segment.ReadCommitted(dir, f)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, s.Close()) }()
	m := newMaking(s.Fields)
	for {
		b, err := s.Next()
		if errors.Is(err, io.EOF) {
			return m.write(cache, f)
		}
		if err != nil {
			return err
		}
		m.add(b)
	}
}

// making is level 0 of a pyramid, while rows come.
type making struct {
	fields  []segment.Field
	columns []string
	at      []int // of columns, in a batch
	flags   []int // of columns, in masks; -1 for none
	masked  []int // columns of flags in a batch
	masks   [][]uint32
	times   []span
	bins    [][]gather
	rows    int
}

func newMaking(fields []segment.Field) *making {
	m := &making{fields: fields, columns: []string{}}
	flagsOf := map[string]int{}
	of := func(x segment.Field) string {
		for _, m := range x.Metadata {
			if m[0] == "of" {
				return m[1]
			}
		}
		return ""
	}
	for i, x := range fields[2:] {
		if x.Kind == segment.Flags {
			flagsOf[of(x)] = len(m.masked)
			m.masked = append(m.masked, i)
		}
	}
	for i, x := range fields[2:] {
		if x.Kind != segment.Float {
			continue
		}
		m.columns, m.at = append(m.columns, x.Name), append(m.at, i)
		if k, ok := flagsOf[of(x)]; ok {
			m.flags = append(m.flags, k)
		} else {
			m.flags = append(m.flags, -1)
		}
	}
	m.bins, m.masks = make([][]gather, len(m.at)), make([][]uint32, len(m.masked))
	return m
}

// reset begins with the rows of another file of the same columns.
func (m *making) reset() {
	m.times, m.rows = m.times[:0], 0
	for c := range m.bins {
		m.bins[c] = m.bins[c][:0]
	}
	for k := range m.masks {
		m.masks[k] = m.masks[k][:0]
	}
}

// add takes the rows of a batch, a bin after the other.
func (m *making) add(b *segment.Batch) {
	for from := 0; from < b.Rows; {
		to := min(b.Rows, from+rowsABin-m.rows%rowsABin)
		if m.rows%rowsABin == 0 {
			m.times = append(m.times, span{b.Time[from], b.Time[from]})
			for c := range m.bins {
				m.bins[c] = append(m.bins[c], none())
			}
			for k := range m.masks {
				m.masks[k] = append(m.masks[k], 0)
			}
		}
		bin := len(m.times) - 1
		t := &m.times[bin]
		for _, at := range b.Time[from:to] {
			t.first, t.last = min(t.first, at), max(t.last, at)
		}
		for c, at := range m.at {
			m.bins[c][bin].take(b.Columns[at].Float[from:to])
		}
		for k, at := range m.masked {
			mask := m.masks[k][bin]
			for _, x := range b.Columns[at].Flags[from:to] {
				mask |= x
			}
			m.masks[k][bin] = mask
		}
		m.rows += to - from
		from = to
	}
}

// take takes samples, without those that are no number.
func (g *gather) take(values []float64) {
	low, high, sum, n := g.min, g.max, g.sum, g.n
	for _, v := range values {
		if v < low {
			low = v
		}
		if v > high {
			high = v
		}
		if v == v {
			sum += v
			n++
		}
	}
	g.min, g.max, g.sum, g.n = low, high, sum, n
}

// write writes the overview of a file whose rows were added.
func (m *making) write(cache string, f segment.File) error {
	for c, k := range m.flags {
		if k < 0 {
			continue
		}
		for i := range m.bins[c] {
			m.bins[c][i].flags = m.masks[k][i]
		}
	}
	return write(cache, &header{Segment: f.Name, SHA256: f.SHA256, Rows: f.Rows, Columns: m.columns}, m.times, m.bins)
}

func write(cache string, h *header, times []span, bins [][]gather) (err error) {
	text, err := json.Marshal(h)
	if err != nil {
		return err
	}
	file, err := os.CreateTemp(cache, ".tmp-*")
	if err != nil {
		return err
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, file.Close(), os.Remove(file.Name()))
		}
	}()
	out := binary.LittleEndian.AppendUint32([]byte(magic), uint32(len(text)))
	out = append(out, text...)
	out = binary.LittleEndian.AppendUint32(out, crc32.Checksum(text, castagnoli))
	if _, err := file.Write(out); err != nil {
		return err
	}
	block := func(fill func(b []byte) []byte) error {
		out = fill(out[:0])
		out = binary.LittleEndian.AppendUint32(out, crc32.Checksum(out, castagnoli))
		_, err := file.Write(out)
		return err
	}
	for level := range levelsOf(h.Rows) {
		if level > 0 {
			times, bins = above(times, bins)
		}
		if err := block(func(b []byte) []byte {
			for _, t := range times {
				b = binary.LittleEndian.AppendUint64(binary.LittleEndian.AppendUint64(b, uint64(t.first)), uint64(t.last))
			}
			return b
		}); err != nil {
			return err
		}
		for _, column := range bins {
			if err := block(func(b []byte) []byte {
				for _, g := range column {
					v := [3]float64{g.min, g.max, g.sum / float64(g.n)}
					if g.n == 0 {
						v = [3]float64{math.NaN(), math.NaN(), math.NaN()}
					}
					for _, x := range v {
						b = binary.LittleEndian.AppendUint64(b, math.Float64bits(x))
					}
					b = binary.LittleEndian.AppendUint32(binary.LittleEndian.AppendUint32(b, g.n), g.flags)
				}
				return b
			}); err != nil {
				return err
			}
		}
	}
	// It is not synced: what a power failure leaves of a cache is found by its
	// checksums, and made again.
	if err := file.Chmod(0o644); err != nil {
		return err
	}
	if err := os.Rename(file.Name(), filepath.Join(cache, h.Segment+suffix)); err != nil {
		return err
	}
	return file.Close()
}

// above is the level over one.
func above(times []span, bins [][]gather) ([]span, [][]gather) {
	n := (len(times) + fan - 1) / fan
	upTimes, up := make([]span, n), make([][]gather, len(bins))
	for i, t := range times {
		if i%fan == 0 {
			upTimes[i/fan] = t
		}
		u := &upTimes[i/fan]
		u.first, u.last = min(u.first, t.first), max(u.last, t.last)
	}
	for c := range bins {
		up[c] = make([]gather, n)
		for i := range up[c] {
			up[c][i] = none()
		}
		for i, g := range bins[c] {
			up[c][i/fan].add(g)
		}
	}
	return upTimes, up
}

// pyramid is an overview file.
type pyramid struct {
	header
	path  string
	start int64 // of level 0
}

func openPyramid(cache string, f segment.File) (*pyramid, error) {
	p := &pyramid{path: filepath.Join(cache, f.Name+suffix)}
	file, err := os.Open(p.path)
	if err != nil {
		return nil, err
	}
	defer file.Close() // only read
	head := make([]byte, len(magic)+4)
	if _, err := io.ReadFull(file, head); err != nil || string(head[:len(magic)]) != magic {
		return nil, fmt.Errorf("%s: %w: it does not begin as one", p.path, ErrDamaged)
	}
	length := binary.LittleEndian.Uint32(head[len(magic):])
	if length > mostHead {
		return nil, fmt.Errorf("%s: %w: its header is too long", p.path, ErrDamaged)
	}
	text := make([]byte, length+4)
	if _, err := io.ReadFull(file, text); err != nil || crc32.Checksum(text[:length], castagnoli) != binary.LittleEndian.Uint32(text[length:]) {
		return nil, fmt.Errorf("%s: %w: its header", p.path, ErrDamaged)
	}
	if err := json.Unmarshal(text[:length], &p.header); err != nil {
		return nil, fmt.Errorf("%s: %w: %w", p.path, ErrDamaged, err)
	}
	if p.Segment != f.Name || p.SHA256 != f.SHA256 || p.Rows != f.Rows {
		return nil, fmt.Errorf("%s: %w: it is of another segment", p.path, ErrDamaged)
	}
	p.start = int64(len(head)) + int64(len(text))
	offset, size := p.place(p.start, levelsOf(p.Rows), -1)
	if info, err := file.Stat(); err != nil || info.Size() != offset || size != p.endSize() {
		return nil, fmt.Errorf("%s: %w: its length", p.path, ErrDamaged)
	}
	return p, nil
}

// endSize is what place says of the times of a level behind the last.
func (p *pyramid) endSize() int64 { return binsOf(p.Rows, levelsOf(p.Rows)) * timeSize }

// read reads a level of a column; without a column, only the times.
func (p *pyramid) read(level, column int) ([]Bin, error) {
	file, err := os.Open(p.path)
	if err != nil {
		return nil, err
	}
	defer file.Close() // only read
	block := func(column int) ([]byte, error) {
		offset, length := p.place(p.start, level, column)
		b := make([]byte, length+4)
		if _, err := file.ReadAt(b, offset); err != nil {
			return nil, fmt.Errorf("%s: %w: %w", p.path, ErrDamaged, err)
		}
		if crc32.Checksum(b[:length], castagnoli) != binary.LittleEndian.Uint32(b[length:]) {
			return nil, fmt.Errorf("%s: %w: a checksum", p.path, ErrDamaged)
		}
		return b[:length], nil
	}
	times, err := block(-1)
	if err != nil {
		return nil, err
	}
	bins := make([]Bin, len(times)/timeSize)
	for i := range bins {
		bins[i].First, bins[i].Last = int64(binary.LittleEndian.Uint64(times[timeSize*i:])), int64(binary.LittleEndian.Uint64(times[timeSize*i+8:]))
	}
	if column < 0 {
		return bins, nil
	}
	values, err := block(column)
	if err != nil {
		return nil, err
	}
	for i := range bins {
		b := values[binSize*i:]
		x := func(k int) float64 { return math.Float64frombits(binary.LittleEndian.Uint64(b[8*k:])) }
		bins[i].Min, bins[i].Max, bins[i].Mean = x(0), x(1), x(2)
		bins[i].N, bins[i].Flags = binary.LittleEndian.Uint32(b[24:]), binary.LittleEndian.Uint32(b[28:])
	}
	return bins, nil
}
