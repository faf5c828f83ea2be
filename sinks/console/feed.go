package console

import (
	"context"
	"encoding/binary"
	"encoding/json"
	"math"
	"net/http"
	"sync"
	"time"

	"github.com/coder/websocket"

	"glueline/sinks/live"
)

// Feed hands live envelopes to all pages that are open. Each is encoded once. A
// page that reads slowly gets the newest of each source, and nobody waits for it.
//
// A message is binary, little-endian. Its first byte says what it is:
//
//	1  layout: JSON behind the first byte: id, source, calibration, columns
//	2  values: 0, id uint16, rows uint32, first and last time in ms since 1970
//	   float64, then of each column least, greatest and newest value float32,
//	   flags uint32; NaN where there is none
//	3  the server is there: its time in ms, float64
type Feed struct {
	mutex   sync.Mutex
	sources map[string]*feedSource
	pages   map[*feedPage]struct{}
	next    uint16
}

type feedSource struct {
	id     uint16
	layout []byte
	key    string // of the layout
	newest []byte
}

// feedPage is a page that looks.
type feedPage struct {
	wake    chan struct{}
	pending map[*feedSource][]byte // guarded by the feed's mutex
}

const (
	mostPages  = 64
	rounds     = 50 * time.Millisecond // least time between two rounds to a page
	heartbeats = 2 * time.Second
	writeTakes = 10 * time.Second // longest, before a page is given up
)

// NewFeed is a feed that nobody looks at yet.
func NewFeed() *Feed {
	return &Feed{sources: map[string]*feedSource{}, pages: map[*feedPage]struct{}{}}
}

type feedLayout struct {
	ID          uint16       `json:"id"`
	Source      string       `json:"source"`
	Calibration string       `json:"calibration"`
	Columns     []feedColumn `json:"columns"`
}

type feedColumn struct {
	Name     string `json:"name"`
	Of       string `json:"of"`
	Quantity string `json:"quantity"`
	Unit     string `json:"unit"`
}

// Show takes an envelope. Nothing of it is kept.
func (f *Feed) Show(e *live.Envelope) {
	f.mutex.Lock()
	defer f.mutex.Unlock()
	s := f.sources[e.Source]
	if s == nil {
		s = &feedSource{id: f.next}
		f.next++
		f.sources[e.Source] = s
	}
	if s.key != e.Calibration || s.layout == nil {
		l := feedLayout{ID: s.id, Source: e.Source, Calibration: e.Calibration}
		for i := range e.Columns {
			c := &e.Columns[i]
			l.Columns = append(l.Columns, feedColumn{c.Name, c.Of, c.Quantity, c.Unit})
		}
		text, err := json.Marshal(l)
		if err != nil {
			return // strings and numbers always become JSON
		}
		s.key, s.layout = e.Calibration, append([]byte{1}, text...)
		for p := range f.pages {
			delete(p.pending, s) // that is of the layout before
		}
	}
	s.newest = encodeEnvelope(s.id, e)
	for p := range f.pages {
		p.pending[s] = s.newest
		select {
		case p.wake <- struct{}{}:
		default: // it is awake
		}
	}
}

func encodeEnvelope(id uint16, e *live.Envelope) []byte {
	b := make([]byte, 0, 24+16*len(e.Columns))
	b = append(b, 2, 0)
	b = binary.LittleEndian.AppendUint16(b, id)
	b = binary.LittleEndian.AppendUint32(b, uint32(min(e.Rows, math.MaxUint32)))
	b = appendFloat64(b, float64(e.First.UnixNano())/1e6)
	b = appendFloat64(b, float64(e.Last.UnixNano())/1e6)
	for i := range e.Columns {
		c := &e.Columns[i]
		b = appendFloat32(b, c.Min)
		b = appendFloat32(b, c.Max)
		b = appendFloat32(b, c.Last)
		b = binary.LittleEndian.AppendUint32(b, c.Flags)
	}
	return b
}

func appendFloat64(b []byte, v float64) []byte {
	return binary.LittleEndian.AppendUint64(b, math.Float64bits(v))
}

func appendFloat32(b []byte, v *float64) []byte {
	x := float32(math.NaN())
	if v != nil {
		x = float32(*v)
	}
	return binary.LittleEndian.AppendUint32(b, math.Float32bits(x))
}

// join adds a page, with all that is newest; nil when there are too many.
func (f *Feed) join() *feedPage {
	f.mutex.Lock()
	defer f.mutex.Unlock()
	if len(f.pages) >= mostPages {
		return nil
	}
	p := &feedPage{wake: make(chan struct{}, 1), pending: map[*feedSource][]byte{}}
	for _, s := range f.sources {
		p.pending[s] = s.newest
	}
	f.pages[p] = struct{}{}
	p.wake <- struct{}{}
	return p
}

func (f *Feed) leave(p *feedPage) {
	f.mutex.Lock()
	defer f.mutex.Unlock()
	delete(f.pages, p)
}

// take takes what waits for a page; layouts that it has not seen come first.
func (f *Feed) take(p *feedPage, seen map[*feedSource]string) (messages [][]byte) {
	f.mutex.Lock()
	defer f.mutex.Unlock()
	for s, newest := range p.pending {
		if seen[s] != s.key {
			seen[s] = s.key
			messages = append(messages, s.layout)
		}
		messages = append(messages, newest)
	}
	clear(p.pending)
	return messages
}

// serve sends to one page until it goes away or ctx ends.
func (f *Feed) serve(ctx context.Context, w http.ResponseWriter, r *http.Request) {
	p := f.join()
	if p == nil {
		http.Error(w, "too many pages look at this test; close some", http.StatusServiceUnavailable)
		return
	}
	defer f.leave(p)
	c, err := websocket.Accept(w, r, nil) // which refuses other origins
	if err != nil {
		return // it has answered
	}
	defer func() { _ = c.CloseNow() }() // there is nobody left to tell
	c.SetReadLimit(1 << 10)
	ctx = c.CloseRead(ctx) // a page says nothing here; ends when it goes away
	write := func(message []byte) error {
		ctx, cancel := context.WithTimeout(ctx, writeTakes)
		defer cancel()
		return c.Write(ctx, websocket.MessageBinary, message)
	}
	seen := map[*feedSource]string{}
	beat := time.NewTicker(heartbeats)
	defer beat.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-beat.C:
			if err := write(appendFloat64([]byte{3}, float64(time.Now().UnixNano())/1e6)); err != nil {
				return
			}
			continue
		case <-p.wake:
		}
		for _, m := range f.take(p, seen) {
			if err := write(m); err != nil {
				return
			}
		}
		select {
		case <-ctx.Done():
			return
		case <-time.After(rounds):
		}
	}
}
