package frame

import (
	"container/heap"
	"errors"
	"fmt"
	"io"
	"math"
	"sort"
)

// Reader merges raw files into one sequence of frames: in order of the time
// of a frame's first row, then of the source's name, then of the frame's
// number. The order depends on what the files hold and on nothing else: not on
// the order of the paths, nor on how rows are batched, nor on which file of a
// source holds them. It is used by one goroutine; frames may be released by
// others.
type Reader struct {
	streams  []*stream
	total    int64
	progress func(bytes int64)

	started  bool
	heads    byHead // a heap of the streams that have a next frame
	err      error  // what Next says from now on
	reported int64
}

// fileBoot is the boot of every frame that comes from a file.
const fileBoot = "file"

// blockBytes is about how much of a source is read at once: enough to spread
// the cost of a block, little enough to stay in a processor's cache.
const blockBytes = 256 << 10

// Next returns the next frame, valid until it is released or the reader is
// closed, or io.EOF behind the last one. After an error it gives the same
// error again.
func (r *Reader) Next() (*Frame, error) { return r.read(1) }

// NextRun is Next for whoever treats rows one by one: frames of one source that
// no other source's frames come between are given as one, with the number of
// the first. All frames of a source but the last have RowsPerFrame rows, so
// that their borders are known.
func (r *Reader) NextRun() (*Frame, error) { return r.read(math.MaxInt) }

func (r *Reader) read(most int) (*Frame, error) {
	if r.err != nil {
		return nil, r.err
	}
	f, err := r.next(most)
	if err != nil {
		r.err = err
	}
	if r.progress != nil && (err == nil || errors.Is(err, io.EOF)) {
		r.report()
	}
	return f, err
}

func (r *Reader) next(most int) (*Frame, error) {
	if !r.started {
		r.started = true
		for _, s := range r.streams {
			if err := s.advance(); err != nil {
				return nil, err // of a file without rows too: Open saw one
			}
			r.heads = append(r.heads, s)
		}
		heap.Init(&r.heads)
	} else if len(r.heads) > 0 {
		// The head went out with the last call; its source reads on only now.
		if err := r.readOn(); err != nil {
			return nil, err
		}
	}
	if len(r.heads) == 0 {
		return nil, io.EOF
	}
	return r.heads[0].give(r.second(), most), nil
}

// readOn makes the heads those that follow on what was given last.
func (r *Reader) readOn() error {
	if r.heads[0].head == nil {
		err := r.heads[0].advance()
		if errors.Is(err, io.EOF) {
			heap.Pop(&r.heads)
			return nil
		}
		if err != nil {
			return err
		}
	}
	heap.Fix(&r.heads, 0)
	return nil
}

// second is the stream whose head comes right behind the first, nil for none.
func (r *Reader) second() *stream {
	switch len(r.heads) {
	case 0, 1:
		return nil
	case 2:
		return r.heads[1]
	}
	if r.heads.Less(2, 1) {
		return r.heads[2]
	}
	return r.heads[1]
}

// give hands out the frames of the head that come before the next stream's as
// one, but no more than most, and keeps the others.
func (s *stream) give(next *stream, most int) *Frame {
	head := s.head
	whole := len(head.Time) / s.frameRows
	frames := whole
	if next != nil {
		until := next.head.Time[0]
		if s.source < next.source {
			until++ // of one instant, the first name goes first
		}
		frames = sort.Search(whole, func(i int) bool { return head.Time[i*s.frameRows] >= until })
	}
	frames = max(1, min(frames, most))
	rows := frames * s.frameRows
	if rows >= len(head.Time) {
		s.head = nil
		return head
	}
	return head.split(rows, uint64(frames))
}

func (r *Reader) report() {
	done := int64(0)
	for _, s := range r.streams {
		done += s.done()
	}
	if done = min(done, r.total); done != r.reported {
		r.reported = done
		r.progress(done)
	}
}

// TotalBytes is the size of all files.
func (r *Reader) TotalBytes() int64 { return r.total }

// Columns returns the names, units and forms (Counts not nil for integers) of
// a source's columns; ok is false when no file of that source was given.
func (r *Reader) Columns(source string) (columns []Column, ok bool) {
	for _, s := range r.streams {
		if s.source == source {
			return s.files[0].columns, true
		}
	}
	return nil, false
}

// Files are the paths of a source's files, in the order of their times.
func (r *Reader) Files(source string) (paths []string) {
	for _, s := range r.streams {
		if s.source == source {
			for _, f := range s.files {
				paths = append(paths, f.path)
			}
		}
	}
	return paths
}

// Close gives the files back. Frames that are still held must not be used
// afterwards. It may be called twice.
func (r *Reader) Close() error {
	var problems []error
	for _, s := range r.streams {
		if s.rows != nil {
			s.ended = append(s.ended, s.rows)
		}
		for _, rows := range s.ended {
			problems = append(problems, rows.close())
		}
		s.rows, s.ended = nil, nil
	}
	if r.err == nil {
		r.err = errors.New("the reader of raw files is closed")
	}
	return errors.Join(problems...)
}

// byHead orders streams by their next frames.
type byHead []*stream

func (h byHead) Len() int { return len(h) }
func (h byHead) Less(i, j int) bool {
	a, b := h[i].head, h[j].head
	if a.Time[0] != b.Time[0] {
		return a.Time[0] < b.Time[0]
	}
	return a.Source < b.Source // of one source there is only one head
}
func (h byHead) Swap(i, j int) { h[i], h[j] = h[j], h[i] }
func (h *byHead) Push(s any)   { *h = append(*h, s.(*stream)) }
func (h *byHead) Pop() any {
	old := *h
	last := old[len(old)-1]
	*h = old[:len(old)-1]
	return last
}

// stream is the frames of one source, over all its files.
type stream struct {
	source string
	files  []*rawFile // in order of time
	head   *Frame

	pool      blockPool
	frameRows int
	at        int    // file to open next
	rows      rows   // of the file that is open
	ended     []rows // of the files before, which frames may still show
	behind    int64  // bytes of files that are done
	fresh     bool   // nothing of it has been read yet
	last      int64  // time of the last row so far
	timing    timing // of the rows that were read
	block     *block // the rows in work
	row       int    // of the block
	border    *block // rows that wait for the rest of their frame
	waiting   int
	number    uint64
	counter   uint64
}

func newStream(source string, rate float64, files []*rawFile) *stream {
	s := &stream{source: source, files: files}
	rowBytes := 8
	for _, c := range files[0].columns {
		if c.Counts != nil {
			rowBytes += 4
		} else {
			rowBytes += 8
		}
	}
	s.frameRows = RowsPerFrame(rate, rowBytes)
	s.timing = newTiming(rate)
	s.pool.rows = s.frameRows * max(1, blockBytes/rowBytes/s.frameRows)
	return s
}

func (s *stream) done() int64 {
	if s.rows == nil {
		return s.behind
	}
	return s.behind + s.rows.done()
}

// advance makes head the next frame.
func (s *stream) advance() error {
	s.head = nil
	for {
		if s.block == nil {
			err := s.read()
			if errors.Is(err, io.EOF) && s.waiting > 0 {
				s.emit(s.border, 0, s.waiting)
				s.dropBorder()
				return nil
			}
			if err != nil {
				return err
			}
		}
		available := len(s.block.time) - s.row
		if s.waiting == 0 && available >= s.frameRows {
			whole := available / s.frameRows * s.frameRows
			s.emit(s.block, s.row, s.row+whole)
			s.take(whole)
			return nil
		}
		n := min(available, s.frameRows-s.waiting)
		s.keep(n)
		s.take(n)
		if s.waiting == s.frameRows {
			s.emit(s.border, 0, s.waiting)
			s.dropBorder()
			return nil
		}
	}
}

func (s *stream) emit(b *block, from, to int) {
	f := b.view(from, to)
	f.Source, f.Boot, f.Number, f.Counter = s.source, fileBoot, s.number, s.counter
	s.number += uint64((to - from + s.frameRows - 1) / s.frameRows)
	s.counter += uint64(to - from)
	s.head = f
}

func (s *stream) take(rows int) {
	s.row += rows
	if s.row == len(s.block.time) {
		s.block.release()
		s.block, s.row = nil, 0
	}
}

func (s *stream) dropBorder() {
	s.border.release()
	s.border, s.waiting = nil, 0
}

// keep copies n rows of the block behind those that wait.
func (s *stream) keep(n int) {
	if s.border == nil {
		s.border = s.pool.get(len(s.block.columns))
		s.border.own(s.block.columns)
	}
	b, to := s.border, s.waiting+n
	copy(b.ownTime[s.waiting:to], s.block.time[s.row:])
	for i := range s.block.columns {
		c := s.block.columns[i].Slice(s.row, s.row+n)
		if c.Counts == nil {
			copy(b.ownFloat[i][s.waiting:to], c.Float)
			continue
		}
		copy(b.ownCounts[i][s.waiting:to], c.Counts)
		had := s.waiting > 0 && b.columns[i].Valid != nil
		if c.Valid == nil && !had {
			b.columns[i].Valid = nil
			continue
		}
		valid := b.ownValids(i)
		for row := 0; !had && row < s.waiting; row++ {
			valid[row] = true
		}
		for row := range n {
			valid[s.waiting+row] = c.Valid == nil || c.Valid[row]
		}
		b.columns[i].Valid = valid[:to]
	}
	s.waiting = to
	b.show(to)
}

// read makes block the next rows, of the next file where one ends.
func (s *stream) read() error {
	for {
		if s.rows == nil {
			if s.at == len(s.files) {
				return io.EOF
			}
			opened, err := s.files[s.at].open()
			if err != nil {
				return err
			}
			s.rows, s.fresh = opened, true
		}
		b := s.pool.get(len(s.files[0].columns))
		// Blocks end where frames end, so that rows need not be copied.
		missing := 0
		if s.waiting > 0 {
			missing = s.frameRows - s.waiting
		}
		err := s.rows.next(b, missing+(s.pool.rows-missing)/s.frameRows*s.frameRows)
		if err == nil {
			if first := b.time[0]; s.fresh && s.at > 0 && first <= s.last {
				return &InputError{File: s.files[s.at].path, Found: "rows from " + instant(first) + " on",
					Want: fmt.Sprintf("%s of the same source goes on until %s: give each stretch of time once", s.files[s.at-1].path, instant(s.last))}
			}
			s.fresh = false
			s.last = b.time[len(b.time)-1]
			s.timing.add(b.time)
			s.block, s.row = b, 0
			return nil
		}
		b.release()
		if !errors.Is(err, io.EOF) {
			return err
		}
		s.ended = append(s.ended, s.rows) // frames may still show it
		s.rows = nil
		s.behind += s.files[s.at].info.Size()
		s.at++
	}
}
