package main

import (
	"os"
	"syscall"
)

// maxResident is the most memory that a process had, in bytes.
func maxResident(p *os.ProcessState) int64 {
	u, ok := p.SysUsage().(*syscall.Rusage)
	if !ok {
		return 0
	}
	return u.Maxrss << 10 // Linux counts KiB
}
