package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net"
	"net/http"
	"path/filepath"
	"strings"
	"syscall"
	"time"

	"glueline/pipeline/event"
)

// control talks to the running service of a data folder.
type control struct {
	data string
	http http.Client
}

func newControl(data string) *control {
	c := &control{data: data}
	c.http.Transport = &http.Transport{
		DisableKeepAlives: true,
		DialContext: func(ctx context.Context, _, _ string) (net.Conn, error) {
			return new(net.Dialer).DialContext(ctx, "unix", filepath.Join(data, socketName))
		},
	}
	return c
}

// errNoService occurs when nothing serves the data folder.
var errNoService = errors.New("no glueline serve is running")

// unreached says why the service could not be asked, and what to do.
func (c *control) unreached(err error) error {
	socket := filepath.Join(c.data, socketName)
	switch {
	case errors.Is(err, context.Canceled):
		return errInterrupted
	case errors.Is(err, context.DeadlineExceeded):
		return fmt.Errorf("the service on %s: %w for %s; look at its log", c.data, errUnanswered, answerWithin)
	case errors.Is(err, fs.ErrPermission):
		return fmt.Errorf("%s is not yours to use; run this as the user who runs glueline serve", socket)
	case errors.Is(err, syscall.EINVAL):
		return fmt.Errorf("%s: %w", c.data, errLongPath)
	case errors.Is(err, fs.ErrNotExist), errors.Is(err, syscall.ECONNREFUSED):
		return fmt.Errorf("%w on %s; start it with: glueline serve TESTFILE --data %s (or name its folder with --data)", errNoService, c.data, c.data)
	}
	return fmt.Errorf("ask the service on %s: %w", c.data, err)
}

// errInterrupted occurs when somebody stops a command while it waits.
var errInterrupted = errors.New("interrupted")

// errUnanswered occurs when the service does not answer in time.
var errUnanswered = errors.New("no answer")

// answerWithin is how long the service may think.
const answerWithin = 30 * time.Second

// errLongPath occurs when the control socket's path is longer than the system
// takes.
var errLongPath = errors.New("the path of the control socket in it is too long for this system (about 100 bytes); give a shorter --data, or a relative one")

// call asks the service and decodes its answer, which must be JSON.
func (c *control) call(ctx context.Context, method, path string, body []byte, into any) error {
	ctx, cancel := context.WithTimeout(ctx, answerWithin)
	defer cancel()
	request, err := http.NewRequestWithContext(ctx, method, "http://glueline"+path, bytes.NewReader(body))
	if err != nil {
		return err
	}
	response, err := c.http.Do(request)
	if err != nil {
		return c.unreached(err)
	}
	defer response.Body.Close()
	text, err := io.ReadAll(io.LimitReader(response.Body, 64<<20))
	if err != nil {
		return c.unreached(err)
	}
	if response.StatusCode != http.StatusOK {
		return errors.New(strings.TrimSpace(string(text)))
	}
	if err := json.Unmarshal(text, into); err != nil {
		return fmt.Errorf("answer of the service: %w", err)
	}
	return nil
}

// publish hands an event to the service, which publishes it to all groups. An
// interruption comes before it or after it, never within: whether the event
// stands in the journal is known.
func (c *control) publish(ctx context.Context, e event.Event) (published, error) {
	var p published
	if ctx.Err() != nil {
		return p, errInterrupted
	}
	text, err := json.Marshal(e)
	if err != nil {
		return p, err
	}
	err = c.call(context.WithoutCancel(ctx), http.MethodPost, "/events", text, &p)
	if errors.Is(err, errUnanswered) {
		err = fmt.Errorf("%w; whether \"%s\" stands in the journal is not known: glueline steps --now and the log of the service tell", err, words(e))
	}
	return p, err
}

// unpublished says of an interruption that nothing came of the command.
func unpublished(err error) error {
	if errors.Is(err, errInterrupted) {
		return fmt.Errorf("%w; nothing was published", err)
	}
	return err
}

// stands says, when the service could not be told how something ended, that its
// beginning stands in the journal, and what to do.
func stands(err error, what, do string) error {
	if err == nil {
		return nil
	}
	return fmt.Errorf("%w\n%s stands in the journal without an end. When the service runs again: %s", err, what, do)
}

// look returns how far every source has come, and the zeros in progress.
func (c *control) look(ctx context.Context) (looks, error) {
	var l looks
	return l, c.call(ctx, http.MethodGet, "/zeros", nil, &l)
}

// waitStep is how often a waiting command looks.
const waitStep = 100 * time.Millisecond

// silence is how long the data may stand still before a command gives up.
const silence = 10 * time.Second

// errSilent occurs when readings stop while a command waits for them.
var errSilent = errors.New("no readings come")

// until waits until the sources that count have come to a time, and returns the
// last look.
func (c *control) until(ctx context.Context, at int64, counts func(*looks) []string) (looks, error) {
	var progress int64
	moved := time.Now()
	for {
		l, err := c.look(ctx)
		if err != nil {
			return l, err
		}
		behind, total := "", int64(0)
		for _, source := range counts(&l) {
			total += l.Newest[source]
			if l.Newest[source] < at {
				behind = source
			}
		}
		if behind == "" {
			return l, nil
		}
		if total != progress {
			progress, moved = total, time.Now()
		}
		if time.Since(moved) > silence {
			return l, fmt.Errorf("%w from source %s for %s; its newest is of %s", errSilent, behind, silence, moment(l.Newest[behind]))
		}
		select {
		case <-ctx.Done():
			return l, errInterrupted
		case <-time.After(waitStep):
		}
	}
}

// cut ends the files of every group and waits until they are committed.
func (c *control) cut(ctx context.Context, e event.Event) error {
	before, err := c.look(ctx)
	if err != nil {
		return err
	}
	e.Event, e.Time = event.Cut, time.Now().UTC()
	if _, err := c.publish(ctx, e); err != nil {
		return err
	}
	deadline := time.Now().Add(time.Minute)
	for {
		l, err := c.look(ctx)
		if err != nil {
			return err
		}
		waiting := ""
		for name, cuts := range l.Cuts {
			if cuts == before.Cuts[name] {
				waiting = name
			}
		}
		switch {
		case waiting == "":
			return nil
		case time.Now().After(deadline):
			return fmt.Errorf("the files of group %s were not ended within a minute", waiting)
		}
		select {
		case <-ctx.Done():
			return errInterrupted
		case <-time.After(waitStep):
		}
	}
}
