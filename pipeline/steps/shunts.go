package steps

import (
	"fmt"
	"math"
	"time"

	"glueline/pipeline/channel"
	"glueline/pipeline/event"
	"glueline/pipeline/flag"
	"glueline/pipeline/group"
)

// Check is a shunt check: what the channel read before a resistor was connected,
// with it and after, against the step that the bridge must make at that strain
// and temperature. It checks instrument, leads and wiring. It says nothing of
// gauge factor or bond: a gauge that came off passes it.
type Check struct {
	Channel             string
	On, Off             int64   // ns since 1970 UTC
	Before, With, After float64 // m/m as reduced; NaN without readings
	Step, Predicted     float64 // V/V, stated span and polarity included
	Temperature         float64 // degC
	Who                 string
	Void                string // why it says nothing, "" when it does
	Agrees              bool   // within CheckTolerance
}

// CheckTolerance is the relative difference between step and prediction that
// counts as agreement. Common practice, no source.
const CheckTolerance = 0.01

// Readings before and after that differ by more than that, and by more than this
// part of the step, make a check void: something else moved. Common practice, no
// source.
const (
	sameReading     = 1e-6 // m/m
	samePartReading = 0.01
)

// Deviation is the step over its prediction, less one.
func (c *Check) Deviation() float64 { return c.Step/c.Predicted - 1 }

// longestRead is how much is read before and after a shunt, at most.
const longestRead = int64(30 * time.Second)

// ZeroAt is a zero that was in force at the end of some segment.
type ZeroAt struct {
	Channel  string
	From, To int64
	Zero     channel.Zero
}

// Checks makes the shunt checks out of the events of one group in order of time.
// A check that is not over yet is not among them.
func Checks(events []event.Event, channels []group.ChannelConstants, zeros []ZeroAt, source Source) ([]Check, error) {
	constants := map[string]*group.ChannelConstants{}
	for i := range channels {
		constants[channels[i].Name] = &channels[i]
	}
	type placed struct {
		check                             Check
		before, with, after, gauge, leads int
	}
	var all []placed
	var w windows
	on := map[string]*event.Event{}
	for i := range events {
		e := &events[i]
		for _, name := range e.Names() {
			c := constants[name]
			if e.Event != "shunt" || c == nil {
				continue
			}
			if e.State == "on" {
				on[name] = e
				continue
			}
			if on[name] == nil {
				continue
			}
			p := placed{check: Check{Channel: name, On: on[name].Time.UnixNano(), Off: e.Time.UnixNano(), Who: on[name].Who}}
			delete(on, name)
			wire := c.At(p.check.On)
			if wire == nil {
				continue
			}
			settling := wire.Judged.Settling
			read := min(p.check.Off-p.check.On, longestRead)
			after := p.check.Off + settling
			p.before = w.add(window{of: name, from: p.check.On - read, to: p.check.On, without: flag.LeavesOut})
			p.with = w.add(window{of: name, from: p.check.On + settling, to: p.check.Off, without: flag.LeavesOut &^ flag.ShuntOn, needs: flag.ShuntOn})
			p.after = w.add(window{of: name, from: after, to: after + read, without: flag.LeavesOut})
			p.gauge, p.leads = -1, -1
			if c.Temperature != "" {
				p.gauge = w.add(window{of: c.Temperature, from: p.check.On - read, to: after + read})
			}
			if wire.LeadsAt != "" {
				p.leads = w.add(window{of: wire.LeadsAt, from: p.check.On - read, to: after + read})
			}
			all = append(all, p)
		}
	}
	if len(all) == 0 {
		return nil, nil
	}
	if err := source(w.take); err != nil {
		return nil, err
	}
	checks := make([]Check, len(all))
	for i, p := range all {
		c := p.check
		known := constants[c.Channel]
		wire := known.At(c.On)
		c.Before, c.With, c.After = w.mean(c.Channel, Strain, p.before).mean(), w.mean(c.Channel, Strain, p.with).mean(), w.mean(c.Channel, Strain, p.after).mean()
		c.judge(&wire.Constants, zeroAt(zeros, c.Channel, c.On),
			w.mean(known.Temperature, Temperature, p.gauge).mean(), w.mean(wire.LeadsAt, Temperature, p.leads).mean())
		checks[i] = c
	}
	return checks, nil
}

// zeroAt returns the newest of a channel's zeros that was taken before a time,
// else the oldest; nil without any. The step hardly depends on it.
func zeroAt(zeros []ZeroAt, channel string, at int64) *ZeroAt {
	var found *ZeroAt
	for i := range zeros {
		z := &zeros[i]
		if z.Channel != channel {
			continue
		}
		if found == nil || z.To <= at && (z.To > found.To || found.To > at) {
			found = z
		}
	}
	return found
}

func (c *Check) judge(constants *channel.Constants, zero *ZeroAt, gauge, leads float64) {
	c.Step, c.Predicted, c.Temperature = math.NaN(), math.NaN(), gauge
	switch {
	case constants.Shunt == nil:
		c.Void = "the test file states no shunt for it"
		return
	case zero == nil:
		c.Void = "no zero: take one first"
		return
	case math.IsNaN(c.Before), math.IsNaN(c.With), math.IsNaN(c.After):
		c.Void = "readings before, with or after it are missing"
		return
	}
	ready, err := channel.New(*constants, zero.Zero)
	if err != nil {
		c.Void = err.Error()
		return
	}
	if math.IsNaN(gauge) {
		gauge = zero.Zero.Temperature
	}
	if math.IsNaN(leads) {
		leads = zero.Zero.LeadTemperature
	}
	base := (c.Before + c.After) / 2
	c.Predicted = ready.ShuntStep(base, gauge, leads)
	c.Step = (ready.Ratio(c.With, gauge, leads) - ready.Ratio(base, gauge, leads)) * ready.Span() * ready.Polarity
	if moved := math.Abs(c.After - c.Before); moved > sameReading && moved > samePartReading*math.Abs(c.With-base) {
		c.Void = fmt.Sprintf("readings before and after differ by %.1f um/m", moved*1e6)
		return
	}
	c.Agrees = math.Abs(c.Deviation()) <= CheckTolerance
}
