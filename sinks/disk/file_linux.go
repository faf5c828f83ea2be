package disk

import (
	"errors"
	"os"
	"unsafe"

	"golang.org/x/sys/unix"
)

const (
	// directBytes is what is written past the page cache in one piece. What
	// Glueline writes is read again much later or never, and on the way through
	// the cache it costs several times the processor time that it costs past it.
	directBytes = 256 << 10
	// block is a multiple of what devices ask of the memory, the place and the
	// length of a direct write.
	block = 4096
)

// file writes whole pieces past the page cache where the file system can, and
// what is left through it.
type file struct {
	os     *os.File
	direct bool
	piece  []byte // aligned; nil until something is written
	filled int    // of piece
}

func create(path string) (File, error) {
	f, err := os.OpenFile(path, os.O_CREATE|os.O_TRUNC|os.O_WRONLY|unix.O_DIRECT, 0o644)
	if direct := err == nil; direct || !errors.Is(err, unix.EINVAL) {
		if err != nil {
			return nil, err
		}
		return &file{os: f, direct: true}, nil
	}
	if f, err = os.OpenFile(path, os.O_CREATE|os.O_TRUNC|os.O_WRONLY, 0o644); err != nil {
		return nil, err
	}
	return &file{os: f}, nil
}

// aligned returns memory of n bytes that begins at a multiple of block.
func aligned(n int) []byte {
	b := make([]byte, n+block)
	skip := block - int(uintptr(unsafe.Pointer(&b[0]))%block)
	return b[skip : skip+n : skip+n]
}

func (f *file) Write(p []byte) (n int, err error) {
	if !f.direct {
		return f.os.Write(p)
	}
	if f.piece == nil {
		f.piece = aligned(directBytes)
	}
	for len(p) > 0 {
		taken := copy(f.piece[f.filled:], p)
		f.filled += taken
		n += taken
		p = p[taken:]
		if f.filled == len(f.piece) {
			if err := f.flush(); err != nil {
				return n, err
			}
		}
	}
	return n, nil
}

// flush writes what is filled: past the cache when it is a whole piece.
func (f *file) flush() error {
	if f.direct && f.filled < len(f.piece) {
		if err := f.throughCache(); err != nil {
			return err
		}
	}
	n, err := f.os.Write(f.piece[:f.filled])
	if f.direct && n == 0 && errors.Is(err, unix.EINVAL) { // this file system opens what it cannot write
		if err = f.throughCache(); err == nil {
			_, err = f.os.Write(f.piece[:f.filled])
		}
	}
	if err != nil {
		return err
	}
	f.filled = 0
	return nil
}

// throughCache has the file take pieces of any length from here on.
func (f *file) throughCache() error {
	flags, err := unix.FcntlInt(f.os.Fd(), unix.F_GETFL, 0)
	if err == nil {
		_, err = unix.FcntlInt(f.os.Fd(), unix.F_SETFL, flags&^unix.O_DIRECT)
	}
	if err != nil {
		return os.NewSyscallError("fcntl", err)
	}
	f.direct = false
	return nil
}

func (f *file) Sync() error {
	if f.filled > 0 {
		if err := f.flush(); err != nil {
			return err
		}
	}
	return f.os.Sync()
}

func (f *file) Close() error {
	var err error
	if f.filled > 0 {
		err = f.flush()
	}
	return errors.Join(err, f.os.Close())
}

// StartWriteback has nothing to do for what is written already. Of the rest it
// is only advice: the sync does the work where this fails.
func (f *file) StartWriteback(from, to int64) {
	if !f.direct {
		_ = unix.SyncFileRange(int(f.os.Fd()), from, to-from, unix.SYNC_FILE_RANGE_WRITE)
	}
}
