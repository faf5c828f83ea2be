//go:build unix

package revise

import (
	"context"
	"runtime"
	"sync"
	"syscall"
	"time"
)

// pace holds a process to its share of the machine's processor time.
type pace struct {
	share float64
	mutex sync.Mutex
	since time.Time
	used  time.Duration
}

// window is what is looked back on: what was not used before is not made up for.
const window = 500 * time.Millisecond

// started is about when the process did: to look at what is to be done takes its
// time too, and is made up for.
var started = time.Now()

func newPace(share float64) *pace { return &pace{share: share, since: started} }

// wait returns when the process is within its share again, or ctx ends.
func (p *pace) wait(ctx context.Context) {
	if p.share <= 0 {
		return
	}
	p.mutex.Lock()
	defer p.mutex.Unlock()
	rate := p.share * float64(runtime.NumCPU())
	ahead := time.Duration(float64(processorTime()-p.used)/rate) - time.Since(p.since)
	if ahead > 0 {
		select {
		case <-time.After(ahead):
		case <-ctx.Done():
		}
	}
	if lasted := time.Since(p.since); lasted > window {
		// What others of the process took while this waited is made up for.
		now := processorTime()
		over := now - p.used - time.Duration(rate*float64(lasted))
		p.since, p.used = time.Now(), now-max(over, 0)
	}
}

// processorTime is what this process has taken so far.
func processorTime() time.Duration {
	var u syscall.Rusage
	if syscall.Getrusage(syscall.RUSAGE_SELF, &u) != nil {
		return 0
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}
