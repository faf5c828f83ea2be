//go:build !unix

package arrowipc

import "os"

func mapFile(f *os.File, size int64) (storage, error) {
	return onDisk{f: f, n: size, c: f}, nil
}
