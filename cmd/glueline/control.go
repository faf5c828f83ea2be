package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"path/filepath"
	"strings"
	"time"
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
var errNoService = errors.New("no service answers")

// call asks the service and decodes its answer, which must be JSON.
func (c *control) call(ctx context.Context, method, path string, body []byte, into any) error {
	ctx, cancel := context.WithTimeout(ctx, 30*time.Second)
	defer cancel()
	request, err := http.NewRequestWithContext(ctx, method, "http://glueline"+path, bytes.NewReader(body))
	if err != nil {
		return err
	}
	response, err := c.http.Do(request)
	if err != nil {
		return fmt.Errorf("%w in %s; is it running? glueline serve TESTFILE --data %s: %w", errNoService, c.data, c.data, err)
	}
	defer response.Body.Close()
	text, err := io.ReadAll(io.LimitReader(response.Body, 64<<20))
	if err != nil {
		return fmt.Errorf("answer of the service: %w", err)
	}
	if response.StatusCode != http.StatusOK {
		return errors.New(strings.TrimSpace(string(text)))
	}
	if err := json.Unmarshal(text, into); err != nil {
		return fmt.Errorf("answer of the service: %w", err)
	}
	return nil
}
