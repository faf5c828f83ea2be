package segment

import (
	"crypto/sha256"
	"encoding/hex"
	"hash/crc32"
	"io"
)

// sums writes to a file and works out the checksums of what passes on a
// goroutine of its own, so that they cost no time where a processor is free.
// The goroutine ends in finish.
type sums struct {
	file  io.Writer
	queue chan sumItem
	free  chan *buffers // those whose bytes are done
	ended chan struct{}

	finished bool // the queue is closed
	// Of the goroutine, until ended is closed.
	digest [sha256.Size]byte
	crcs   []uint32
	bytes  int64
}

// sumItem is some bytes, or a mark: where a batch begins, or the end of the
// batch that filled some buffers.
type sumItem struct {
	b     []byte
	begin bool
	end   *buffers
}

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

func newSums(file io.Writer) *sums {
	s := &sums{
		file:  file,
		queue: make(chan sumItem, 64),
		free:  make(chan *buffers, 2), // as many as there are: sending never blocks
		ended: make(chan struct{}),
	}
	go s.run()
	return s
}

func (s *sums) run() {
	defer close(s.ended)
	whole, crc := sha256.New(), uint32(0)
	for item := range s.queue {
		switch {
		case item.begin:
			crc = 0
		case item.end != nil:
			s.crcs = append(s.crcs, crc)
			s.free <- item.end
		default:
			whole.Write(item.b)
			crc = crc32.Update(crc, castagnoli, item.b)
			s.bytes += int64(len(item.b))
		}
	}
	whole.Sum(s.digest[:0])
}

// Write writes to the file. Short pieces are copied for the goroutine; long
// ones are columns, which stay as they are until their buffers are free.
func (s *sums) Write(p []byte) (int, error) {
	n, err := s.file.Write(p)
	if err != nil {
		return n, err
	}
	if len(p) < 4096 {
		p = append([]byte(nil), p...)
	}
	s.queue <- sumItem{b: p}
	return n, nil
}

func (s *sums) beginBatch()          { s.queue <- sumItem{begin: true} }
func (s *sums) endBatch(of *buffers) { s.queue <- sumItem{end: of} }

// finish ends the goroutine and returns what it found. It may be called twice.
func (s *sums) finish() (sha string, crcs []uint32, bytes int64) {
	if !s.finished {
		s.finished = true
		close(s.queue)
	}
	<-s.ended
	return hex.EncodeToString(s.digest[:]), s.crcs, s.bytes
}
