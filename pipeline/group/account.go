package group

import (
	"math"

	"glueline/pipeline/channel"
	"glueline/pipeline/flag"
	"glueline/pipeline/frame"
)

// Account is all that went into one value of a channel.
type Account struct {
	Frame    FrameOf
	Wire     string // input and gauge, "source/input|gauge"
	Reading  float64
	Unit     string  // of the reading
	Excited  float64 // V, what the reading was divided by; NaN where it is a ratio by itself
	Ratio    float64 // V/V
	Gauge    TemperatureUsed
	Leads    TemperatureUsed
	Channel  *channel.Channel // ready for the zero in force; nil without one
	Zero     ZeroInForce      // that it counts from
	Strain   float64          // m/m
	Mask     flag.Mask
	WiredFor [2]int64 // ns, from when to when the wiring map has it there; to is excluded
}

// FrameOf is the frame that a value came in. A run of frames counts as its first
// where frames are not handed in one by one.
type FrameOf struct {
	Source string
	Boot   string
	Number uint64
	Row    int // in the frame, from 0
	Time   int64
}

// TemperatureUsed is what a value was corrected with.
type TemperatureUsed struct {
	Name  string  // "" where the channel has none: then it is that of the zero
	Value float64 // degC
	At    int64   // ns, of the reading; 0 where there was none
}

// account waits for one sample of a channel.
type account struct {
	source, channel string
	sample          uint64
	take            func(*Account)
}

// Account has take told what goes into one value: that of a channel at a source's
// sample, as the batches count them, when the sample comes. It is told once, or
// twice where the wiring map has two gauges there. A nil take ends it.
func (r *Reducer) Account(source, channel string, sample uint64, take func(*Account)) {
	run := r.runs[source]
	if run == nil {
		return
	}
	run.account = &account{source, channel, sample, take}
	if take == nil {
		run.account = nil
	}
}

// tellAccount tells of the sample that is waited for, if it is among the rows.
func (run *sourceRun) tellAccount(c *channelRun, w *wireRun, in *rowsInHand, h *hand, gauge, leads *temperatureColumn) {
	f, b, from, to, excitation := in.frame, in.batch, in.from, in.to, in.excitation
	row := int(run.account.sample - run.state.Rows)
	if c.plan.name != run.account.channel || row < from || row >= to {
		return
	}
	a := Account{
		Frame:    FrameOf{f.Source, f.Boot, f.Number, row, f.Time[row]},
		Wire:     w.plan.key,
		Reading:  h.readings(&f.Columns[w.column], row, row+1)[0],
		Unit:     run.unitOf(w, &f.Columns[w.column]),
		Excited:  math.NaN(),
		Channel:  w.ready,
		Strain:   b.Columns[c.plan.strainAt].Float[row],
		Mask:     flag.Mask(b.Columns[c.plan.flagsAt].Flags[row]),
		WiredFor: [2]int64{w.plan.from, w.plan.to},
	}
	volts := math.NaN()
	if excitation != nil {
		volts = excitation[row-from]
	} else if w.raw.Excited {
		volts = w.raw.Excitation
	}
	if w.raw.Excited {
		a.Excited = volts
	}
	a.Ratio = w.raw.Ratio(a.Reading, volts)
	a.Gauge = run.used(c.plan.temperature, f.Time[row], gauge.value[row-from])
	a.Leads = run.used(w.plan.leads, f.Time[row], leads.value[row-from])
	if w.ready != nil {
		a.Zero = run.zero(c, w, w.zero, w.ready, InForce)
		// Nothing is corrected for a temperature that the zero does not know.
		if w.blindGauge {
			a.Gauge.Value = w.ready.Zero.Temperature
		}
		if w.blindLeads {
			a.Leads.Value = w.ready.Zero.LeadTemperature
		}
	}
	run.account.take(&a)
}

// used is a temperature as a value used it.
func (run *sourceRun) used(i int, at int64, value float64) TemperatureUsed {
	if i < 0 {
		return TemperatureUsed{Value: value}
	}
	u := TemperatureUsed{Name: run.reducer.plan.temperatures[i].name, Value: value}
	if r, _ := run.reducer.temps[i].at(at, run.plan.tolerance); r != nil {
		u.At = r.At
	}
	return u
}

// unitOf is the unit of an input's readings, as its frame or its source states it.
func (run *sourceRun) unitOf(w *wireRun, c *frame.Column) string {
	if c.Unit != "" {
		return c.Unit
	}
	if in, ok := run.plan.source.Inputs.Get(w.plan.input); ok && in.Unit.Text != "" {
		return in.Unit.Text
	}
	if run.plan.source.Unit.Text == "" && c.Counts != nil {
		return "count"
	}
	return run.plan.source.Unit.Text
}
