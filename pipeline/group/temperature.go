package group

import (
	"math"

	"glueline/pipeline/channel"
	"glueline/pipeline/flag"
	"glueline/pipeline/frame"
)

// temperatureRun is a temperature at work.
type temperatureRun struct {
	plan   *temperaturePlan
	state  *TemperatureState
	sensor channel.Sensor
	column int
}

// readTemperatures converts the temperature readings of the rows of one frame
// and keeps them for the rows that follow, those of this frame included. Cold
// junctions go first.
func (run *sourceRun) readTemperatures(f *frame.Frame, b *Batch, from, to int) {
	for pass := range 2 {
		for _, t := range run.own {
			if t.sensor.NeedsColdJunction() == (pass == 1) {
				run.readTemperature(t, f, b, from, to)
			}
		}
	}
}

func (run *sourceRun) readTemperature(t *temperatureRun, f *frame.Frame, b *Batch, from, to int) {
	dst, times := b.Columns[t.plan.column].Float[from:to], f.Time[from:to]
	raw := run.reducer.hands[0].readings(&f.Columns[t.column], from, to)
	cold, same := t.sensor.ColdFixed, []float64(nil)
	if t.plan.cold >= 0 {
		junction := run.reducer.temps[t.plan.cold]
		if junction.plan.source == run.plan.name {
			same = b.Columns[junction.plan.column].Float[from:to]
		}
	}
	for i, x := range raw {
		if t.plan.cold >= 0 {
			if same != nil {
				cold = same[i]
			} else {
				cold = math.NaN()
				if r, _ := run.reducer.temps[t.plan.cold].at(times[i], run.plan.tolerance); r != nil {
					cold = r.Value
				}
			}
		}
		dst[i] = t.sensor.Temperature(x, cold)
		t.state.push(times[i], dst[i], t.plan.rate)
	}
}

// at returns the newest reading at or before a time plus the clock tolerance;
// when there are only later ones, the oldest of those. It returns nil without
// any, and the flags that the choice deserves.
func (t *temperatureRun) at(at, tolerance int64) (*Reading, flag.Mask) {
	readings := t.state.Readings
	for i := len(readings) - 1; i >= 0; i-- {
		r := &readings[i]
		if r.At > at+tolerance {
			continue
		}
		var m flag.Mask
		if r.Fast {
			m |= flag.TemperatureFast
		}
		if at-r.At > t.plan.maxAge {
			m |= flag.TemperatureStale
		}
		return r, m
	}
	if len(readings) > 0 {
		return &readings[0], flag.TemperatureAhead
	}
	return nil, flag.TemperatureMissing
}

// temperatureColumn is a temperature a row, for a range of rows.
type temperatureColumn struct {
	value     []float64 // degC; NaN without any reading
	mask      []flag.Mask
	low, high float64 // of value
	any       flag.Mask
	flat      float64 // what every row has; else not a number
}

// fill looks a temperature up for every row. Rows between two readings share
// one look-up, so it costs little however fast the strain source is.
func (c *temperatureColumn) fill(t *temperatureRun, times []int64, tolerance int64) {
	c.value, c.mask = grow(c.value, len(times)), grow(c.mask, len(times))
	c.low, c.high, c.any, c.flat = math.Inf(1), math.Inf(-1), 0, math.NaN()
	for i := 0; i < len(times); {
		r, m := t.at(times[i], tolerance)
		v, until := math.NaN(), int64(math.MaxInt64)
		if r != nil {
			v = r.Value
			c.low, c.high = math.Min(c.low, v), math.Max(c.high, v)
			until = t.until(r, times[i], tolerance)
		}
		if i == 0 && times[len(times)-1] < until {
			c.flat = v
		}
		c.any |= m
		for i < len(times) && times[i] < until {
			c.value[i], c.mask[i] = v, m
			i++
		}
	}
}

// until returns the time from which on another reading, or another flag, holds.
func (t *temperatureRun) until(r *Reading, at, tolerance int64) int64 {
	if r.At > at+tolerance {
		return r.At - tolerance
	}
	until := int64(math.MaxInt64)
	if stale := r.At + t.plan.maxAge + 1; stale > at {
		until = stale
	}
	for i := len(t.state.Readings) - 1; i >= 0; i-- {
		next := t.state.Readings[i].At - tolerance
		if t.state.Readings[i].At <= r.At {
			break
		}
		until = min(until, max(next, at+1))
	}
	return until
}
