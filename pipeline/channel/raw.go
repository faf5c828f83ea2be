package channel

import (
	"fmt"
	"math"

	"glueline/pipeline/testfile"
	"glueline/reduce"
)

// Raw turns an input's raw readings into bridge ratio in V/V. A reading in
// volts is divided by the excitation at the same moment.
type Raw struct {
	Scale      float64 // V/V a raw unit, or V a raw unit where Excited
	Excited    bool    // divide by the excitation
	Excitation float64 // V, nominal
	Range      float64 // largest raw reading, either sign; +Inf when not stated
	Logger     *Logger // readings are a logger's own microstrain
}

// Logger is how a logger made microstrain out of ratio r: GF and k being the
// gauge factor and bridge factor set in it, 4 r / (GF k), and where it was
// linearised, 4 r / (GF (1 - 2 r)) for a quarter bridge.
type Logger struct {
	GaugeFactor  float64
	BridgeFactor float64
	Linearised   bool
	Sign         float64
}

// Ratio returns one reading as ratio in V/V at an excitation in V.
func (r *Raw) Ratio(reading, excitation float64) float64 {
	if r.Logger != nil {
		return r.Logger.ratio(reading)
	}
	v := reading * r.Scale
	if r.Excited {
		v /= excitation
	}
	return v
}

// ratio undoes what the logger did to get microstrain.
func (l *Logger) ratio(microstrain float64) float64 {
	d := l.Sign * microstrain * 1e-6 * l.GaugeFactor * l.BridgeFactor
	if l.Linearised {
		return d / (4 + 2*d)
	}
	return d / 4
}

// Column writes Ratio of every reading to dst and returns it. excitation holds
// the measured excitation in V a row, or nil for the nominal one.
func (r *Raw) Column(dst, readings, excitation []float64) []float64 {
	dst = dst[:len(readings)]
	switch {
	case r.Logger != nil:
		for i, x := range readings {
			dst[i] = r.Logger.ratio(x)
		}
	case !r.Excited:
		return reduce.Times(dst, readings, r.Scale)
	case excitation == nil:
		for i, x := range readings {
			dst[i] = x * r.Scale / r.Excitation
		}
	default:
		excitation = excitation[:len(readings)]
		for i, x := range readings {
			dst[i] = x * r.Scale / excitation[i]
		}
	}
	return dst
}

// CountsColumn is Column for readings in counts; valid may be nil.
func (r *Raw) CountsColumn(dst []float64, counts []int32, valid []bool, excitation []float64) []float64 {
	dst = dst[:len(counts)]
	for i, c := range counts {
		dst[i] = float64(c)
	}
	for i, ok := range valid {
		if !ok {
			dst[i] = math.NaN()
		}
	}
	return r.Column(dst, dst, excitation)
}

// maxRatio is a bridge ratio far beyond any foil gauge's: 0.2 strain on a
// quarter bridge of gauge factor 2. Common practice, no source.
const maxRatio = 0.1 // V/V

// symbol is a raw file's unit in one spelling, whatever its letters: loggers
// write microstrain in many ways.
func symbol(unit string) string {
	switch s := testfile.Symbol(unit); s {
	case "um/m", "ustrain", "ue":
		return "microstrain"
	case "counts":
		return "count"
	default:
		return s
	}
}

// RawOf returns how the readings of a source's input become ratio. unit is the
// unit found in the raw file, or "" when it states none: then the test file's
// counts. An error says what the test file should state.
func RawOf(source *testfile.Source, input, unit string) (Raw, error) {
	in, _ := source.Inputs.Get(input)
	scale, limit := source.Scale, source.Range
	stated := source.Unit.Text
	if in != nil {
		stated = in.Unit.Or(stated)
		if in.Scale.Given {
			scale = in.Scale
		}
		if in.Range.Given {
			limit = in.Range
		}
	}
	if unit == "" {
		unit = stated
	}
	unit = symbol(unit)
	r := Raw{Scale: 1, Excitation: source.Excitation.Or(math.NaN()), Range: math.Inf(1)}
	switch unit {
	case "V/V":
	case "mV/V":
		r.Scale = 1e-3
	case "V":
		r.Excited = true
	case "mV":
		r.Scale, r.Excited = 1e-3, true
	case "count":
		if !scale.Given {
			return r, fmt.Errorf("input %s is in counts; state the source's scale, for example \"scale: 0.5 nV/V\"", input)
		}
		r.Scale, r.Excited = scale.Value, scale.Unit == "V"
	case "microstrain":
		l := source.Logger
		if !l.GaugeFactor.Given {
			return r, fmt.Errorf("input %s is in microstrain; state the logger's gauge-factor, so that it can be turned back to ratio", input)
		}
		r.Logger = &Logger{l.GaugeFactor.Value, l.BridgeFactor.Or(1), l.Linearised.Value, 1}
		if l.Sign.Text == "tension-negative" {
			r.Logger.Sign = -1
		}
	case "":
		return r, fmt.Errorf("input %s has no unit; state it in the raw file's header, for example \"%s [mV/V]\", or as the source's unit", input, input)
	default:
		return r, fmt.Errorf("input %s is in %q; a bridge is read in V/V, mV/V, V, mV, count or microstrain (um/m)", input, unit)
	}
	if r.Excited && source.ExcitationIn.Text == "" && !source.Excitation.Given {
		return r, fmt.Errorf("input %s is in volts; state the source's excitation or its excitation-input", input)
	}
	// A reading beyond this comes from no strained gauge, whatever the range.
	physical := maxRatio / r.Scale
	switch {
	case r.Logger != nil:
		physical = 4 * maxRatio / (1e-6 * r.Logger.GaugeFactor * r.Logger.BridgeFactor)
	case r.Excited:
		physical *= r.Excitation // not a number, and no limit, where only the measured one is known
	}
	if limit.Given {
		r.Range = limit.Value
		switch {
		case limit.Unit == "count":
		case r.Logger != nil:
			r.Range = math.Inf(1) // a logger's strain does not rail at a fixed ratio
		case limit.Unit == "V/V" && r.Excited:
			r.Range = limit.Value * r.Excitation / r.Scale
		case limit.Unit == "V" && !r.Excited:
			r.Range = limit.Value / r.Excitation / r.Scale
		default:
			r.Range = limit.Value / r.Scale
		}
		if math.IsNaN(r.Range) {
			r.Range = math.Inf(1)
		}
	}
	if physical < r.Range {
		r.Range = physical
	}
	return r, nil
}
