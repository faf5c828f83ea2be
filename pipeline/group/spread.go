package group

import (
	"glueline/pipeline/channel"
	"glueline/pipeline/frame"
)

// Spread shares the parts of a work among hands. A channel touches nothing of
// another's, so that what a reducer gives is the same however they are shared.
type Spread interface {
	// Hands is how many work at the same time at most.
	Hands() int
	// Share has do called once for every part below parts, in any order, by hands
	// below Hands, each of which does one at a time. It returns when all are done.
	Share(parts int, do func(hand, part int))
}

// A part is so many readings, and a frame of fewer parts is not worth waking
// anybody for: what it takes to wake takes longer than a small part.
const (
	partReadings = 8192
	fewParts     = 4
)

// Spread has the channels of large frames reduced by several hands from here on.
// Without it, or with nil, the reducer does one after the other.
func (r *Reducer) Spread(s Spread) {
	if r.spread = s; s == nil {
		return
	}
	for len(r.hands) < s.Hands() {
		r.hands = append(r.hands, new(hand))
	}
}

// hand is what it takes to reduce one channel at a time, beside others.
type hand struct {
	scratch    channel.Scratch
	counts     []float64
	ratio      []float64
	flatGauge  []float64
	flatLeads  []float64
	still      temperatureColumn // of channels without a temperature
	stillLeads temperatureColumn
}

// rowsInHand are the rows that the channels are reduced over, through which no
// event takes effect.
type rowsInHand struct {
	frame      *frame.Frame
	batch      *Batch
	from, to   int
	excitation []float64 // V, measured; nil when it is not
	apart      int64     // ns, the most between neighbours
	channels   int       // in a part
}

// reduceChannels reduces the rows in hand.
func (run *sourceRun) reduceChannels() {
	r, in, n := run.reducer, &run.in, len(run.channels)
	in.channels = max(1, r.partReadings/(in.to-in.from))
	if parts := (n + in.channels - 1) / in.channels; r.spread != nil && parts >= fewParts && run.account == nil {
		r.spread.Share(parts, run.part)
		return
	}
	in.channels = n
	run.reducePart(0, 0)
}

// reducePart reduces some of the channels.
func (run *sourceRun) reducePart(h, part int) {
	in := &run.in
	at := in.frame.Time[in.from]
	for _, c := range run.channels[part*in.channels : min(len(run.channels), (part+1)*in.channels)] {
		for _, w := range c.wires {
			if w.plan.from <= at && at < w.plan.to {
				run.reduceWire(c, w, in, run.reducer.hands[h])
			}
		}
	}
}
