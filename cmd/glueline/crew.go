package main

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"
)

// crew is what runs beside one another until ctx ends, which it does for all
// when one of them fails.
type crew struct {
	ctx    context.Context
	cancel context.CancelFunc
	wait   sync.WaitGroup
	mutex  sync.Mutex
	failed error
}

func newCrew(ctx context.Context) *crew {
	c := new(crew)
	c.ctx, c.cancel = context.WithCancel(ctx)
	return c
}

func (c *crew) start(f func(context.Context) error) {
	c.wait.Go(func() { c.note(f(c.ctx)) })
}

func (c *crew) note(err error) {
	if err == nil {
		return
	}
	c.mutex.Lock()
	c.failed = errors.Join(c.failed, err)
	c.mutex.Unlock()
	c.cancel()
}

// fail ends the crew because of an error of the caller's.
func (c *crew) fail(err error, within time.Duration) error {
	c.note(err)
	return c.end(within)
}

// end waits for all, at most so long, and returns what failed.
func (c *crew) end(within time.Duration) error {
	c.cancel()
	done := make(chan struct{})
	go func() { c.wait.Wait(); close(done) }()
	select {
	case <-done:
	case <-time.After(within):
		c.note(fmt.Errorf("not stopped within %s; what is committed is whole, the rest comes again from the journal", within))
	}
	c.mutex.Lock()
	defer c.mutex.Unlock()
	return c.failed
}
