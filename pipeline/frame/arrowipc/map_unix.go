//go:build unix

package arrowipc

import (
	"errors"
	"fmt"
	"os"
	"unsafe"

	"golang.org/x/sys/unix"
)

// mapped is a storage of pages that the system reads when they are touched.
type mapped struct {
	inMemory
	whole []byte
}

func mapFile(f *os.File, size int64) (storage, error) {
	if size == 0 || int64(int(size)) != size {
		return onDisk{f: f, n: size, c: f}, nil
	}
	b, err := unix.Mmap(int(f.Fd()), 0, int(size), unix.PROT_READ, unix.MAP_SHARED)
	if err != nil {
		return onDisk{f: f, n: size, c: f}, nil // some file systems cannot map
	}
	// Only advice: reading works without it.
	_ = unix.Madvise(b, unix.MADV_SEQUENTIAL)
	// The mapping stays when the file is closed.
	if err := f.Close(); err != nil {
		return nil, errors.Join(err, unix.Munmap(b))
	}
	return &mapped{inMemory: b, whole: b}, nil
}

func (m *mapped) close() error {
	err := unix.Munmap(m.whole)
	m.inMemory, m.whole = nil, nil
	if err != nil {
		return fmt.Errorf("unmap: %w", err)
	}
	return nil
}

// forget takes the pages of a view out of the process, with the one that it
// begins in, which what was forgotten before may have ended in. They come back
// when they are touched.
func (m *mapped) forget(view []byte) {
	if len(view) == 0 || len(m.whole) == 0 {
		return
	}
	page := os.Getpagesize()
	from := int(uintptr(unsafe.Pointer(&view[0])) - uintptr(unsafe.Pointer(&m.whole[0])))
	to := (from + len(view)) / page * page
	from = from / page * page
	if from >= 0 && from < to && to <= len(m.whole) { // a copy of unaligned values is no view
		// Only advice: reading works without it.
		_ = unix.Madvise(m.whole[from:to], unix.MADV_DONTNEED)
	}
}
