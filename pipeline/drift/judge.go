package drift

import (
	"fmt"
	"math"
	"slices"
	"time"
)

// Facts are what the test file knows of a channel.
type Facts struct {
	TwoWire     bool    // both leads in one arm
	Gauge       float64 // ohm
	GaugeFactor float64
	LeadOhm     float64    // of one wire, NaN or 0 if not known
	CureHour    float64    // end of cure, in hours from the first window; earlier is negative
	Tolerance   float64    // m/m that the zero may move before anybody is told, 0 for 8e-6
	RuledOut    []RuledOut // by people, by name
}

// RuledOut is a cause that a person took off the list.
type RuledOut struct {
	Cause    Cause
	Who, Why string
}

func (f Facts) tolerance() float64 {
	if f.Tolerance > 0 {
		return f.Tolerance
	}
	return 8e-6
}

// Certainty is how far an opinion goes.
type Certainty string

// From least to most.
const (
	Possible Certainty = "possible"
	Probable Certainty = "probable"
	Likely   Certainty = "likely"
)

// Opinion is one cause with what speaks for it and against it.
type Opinion struct {
	Cause     Cause
	Certainty Certainty
	Score     float64 // natural logarithm of its weight
	Weight    float64 // of all weights
	For       []string
	Against   []string
	Decide    string // the one measurement that would
}

// Verdict is what is said of a channel.
type Verdict struct {
	Named  Cause        // the first of the ranked, Healthy or CannotTell
	Onset  time.Time    // zero when healthy
	Within [2]time.Time // nine chances in ten for the onset, by the cause's own law; both zero where that does not tell
	Moved  float64      // m/m, how far the zero moved
	Slope  float64      // relative change of the slope against load, 0 unless it is sure
	Ranked []Opinion    // heaviest first
	Alarms []Alarm      // of the detectors that run on line, whatever was named
}

// Alarm is what a detector on line said.
type Alarm struct {
	Of    string    // zero, slope or noise
	At    time.Time // when it was sure
	Onset time.Time // from when on, by the last zero of the sum
	Sign  int       // 1 up, -1 down
}

func (r *Record) alarms() []Alarm {
	var all []Alarm
	for _, d := range []struct {
		of string
		*Cusum
	}{{"zero", &r.Zeros.Sum}, {"slope", &r.Slopes.Sum}, {"noise", &r.Noises.Sum}} {
		if d.Alarm != 0 {
			all = append(all, Alarm{d.of, time.Unix(0, d.Alarm).UTC(), time.Unix(0, d.Onset).UTC(), d.Sign})
		}
	}
	return all
}

// opine collects an opinion line by line.
type opine struct{ Opinion }

// says adds an amount of evidence with its sentence.
func (o *opine) says(amount float64, format string, values ...any) {
	if math.IsNaN(amount) || amount == 0 {
		return
	}
	o.Score += amount
	line := fmt.Sprintf("%+.1f ", amount) + fmt.Sprintf(format, values...)
	if amount > 0 {
		o.For = append(o.For, line)
	} else {
		o.Against = append(o.Against, line)
	}
}

// Judge reads a record. It is a function of its arguments alone.
func Judge(r *Record, facts Facts) Verdict {
	f := newFindings(r, facts)
	if len(f.zero) < fewest {
		return Verdict{Named: CannotTell, Alarms: r.alarms()}
	}
	var all []Opinion
	for _, about := range Causes {
		if slices.ContainsFunc(facts.RuledOut, func(o RuledOut) bool { return o.Cause == about.Cause }) {
			continue
		}
		o := &opine{Opinion{Cause: about.Cause, Decide: about.Decide}}
		evidence[about.Cause](f, o)
		all = append(all, o.Opinion)
	}
	f.larger(all)
	slices.SortStableFunc(all, func(a, b Opinion) int { return compare(b.Score, a.Score) })
	var sum float64
	for i := range all {
		all[i].Weight = math.Exp(all[i].Score - all[0].Score)
		sum += all[i].Weight
	}
	for i := range all {
		o := &all[i]
		o.Weight /= sum
		o.Certainty = Possible
		switch {
		case o.Weight > 0.9 && (o.Cause != Instrument || f.referred) && (o.Cause != Thermal || f.witnessed || f.referred):
			o.Certainty = Likely
		case o.Weight > sure:
			o.Certainty = Probable
		}
	}
	v := Verdict{Named: all[0].Cause, Moved: f.moved, Ranked: all, Alarms: r.alarms()}
	if f.slopeChanged() {
		v.Slope = f.slope.amount
	}
	if all[0].Weight < sure || f.mayBeStructure(all) {
		v.Named = CannotTell
	}
	if v.Named != Healthy {
		clock := func(h float64) time.Time { return time.Unix(0, r.Epochs[0].From+int64(h*float64(hour))).UTC() }
		if d, ok := f.dated(all[0].Cause); ok {
			v.Onset, v.Within = clock(d.at), [2]time.Time{clock(d.from), clock(d.to)}
		} else {
			v.Onset = clock(f.since(all[0].Cause))
		}
	}
	return v
}

// larger puts a compensation that fails beside another trouble of the same
// channel: neither excludes the other, and what moves the zero further comes first.
func (f *findings) larger(all []Opinion) {
	if !f.tooWarm() || !f.zeroMoved() || f.facts.TwoWire && f.with[LeadTemperature] == nil {
		return // two leads follow the same temperature
	}
	other, moved := math.Inf(-1), f.moved
	for i := range all {
		if all[i].Cause != Thermal && all[i].Cause != Healthy && all[i].Score > other {
			other, moved = all[i].Score, f.moved
			if all[i].Cause == Debond {
				moved = max(moved, f.lost())
			}
		}
	}
	for i := range all {
		if o := (&opine{all[i]}); o.Cause == Thermal {
			warm := math.Abs(f.perKelvin) * spread(f.with[Temperature])
			o.says(other-o.Score+4*math.Log(warm/moved), "temperature moves it by %.0f microstrain, whatever else there is moves readings by %.0f", warm*micro, moved*micro)
			all[i] = o.Opinion
		}
	}
}

// sure is the weight from which a cause is named.
const sure = 0.5

func compare(a, b float64) int {
	switch {
	case a < b:
		return -1
	case a > b:
		return 1
	}
	return 0
}
