package group

import (
	"fmt"
	"math"

	"glueline/pipeline/flag"
)

// ZeroLook is a zero that is being taken, or a reading of a pair, as far as it
// has come: what people decide by before they end it or drop it.
type ZeroLook struct {
	Channel     string    `json:"channel"`
	Source      string    `json:"source"`
	Kind        string    `json:"kind"`
	Name        string    `json:"name,omitempty"`
	From        int64     `json:"from_ns"`
	Newest      int64     `json:"newest_ns"` // newest row of the source
	Readings    int       `json:"readings"`
	LeftOut     int       `json:"left_out"`
	Ratio       Real      `json:"ratio_v_per_v"`
	Noise       Real      `json:"noise"`       // m/m, standard deviation about the trend
	Trend       Real      `json:"trend"`       // m/m, over the whole window
	TrendError  Real      `json:"trend_error"` // m/m, its standard error
	NoiseBefore Real      `json:"noise_before"`
	Temperature Real      `json:"temperature_degc"`
	Moved       Real      `json:"temperature_moved_k"`
	Load        Real      `json:"load"` // in its unit
	Flags       flag.Mask `json:"flags"`
	NotIdle     bool      `json:"not_idle"`
}

// ZerosInProgress returns what is being taken, in the order of sources and
// channels.
func (r *Reducer) ZerosInProgress() []ZeroLook {
	var looks []ZeroLook
	for _, s := range r.plan.sources {
		for _, c := range r.runs[s.name].channels {
			for _, w := range c.wires {
				for _, kind := range windowKinds {
					if z := w.state.InProgress[kind]; z != nil && w.serves(r.state.Sources[s.name].Newest) {
						look := w.look(c.plan, z)
						look.Source, look.Kind, look.Newest = s.name, kind, r.state.Sources[s.name].Newest
						looks = append(looks, look)
					}
				}
			}
		}
	}
	return looks
}

func (w *wireRun) serves(at int64) bool { return w.plan.from <= at && at < w.plan.to }

func (w *wireRun) look(c *channelPlan, z *ZeroRecord) ZeroLook {
	nan := Real(math.NaN())
	l := ZeroLook{
		Channel: c.name, Name: z.Name, From: z.From, Readings: z.Raw.N, LeftOut: z.LeftOut, Flags: flag.Mask(z.Flags), NotIdle: z.NotIdle,
		Ratio: nan, Noise: nan, Trend: nan, TrendError: nan, NoiseBefore: nan, Temperature: nan, Moved: nan, Load: nan,
	}
	if z.Temperature.N > 0 {
		l.Temperature = Real(z.Temperature.Mean)
		l.Moved = Real(z.Temperature.SD() * math.Sqrt(12)) // of an even change from end to end
	}
	if z.Load.N > 0 {
		l.Load = Real(z.Load.Mean)
	}
	if w.ready != nil {
		l.NoiseBefore = Real(w.noise(w.ready, w.zero))
	}
	if z.Raw.N == 0 {
		return l
	}
	l.Ratio = Real(w.raw.Ratio(z.Raw.Mean, w.excitation(z)))
	counted, err := w.countFrom(c, z, w.state.Carried)
	if err != nil {
		return l
	}
	reduced := func(raw float64) float64 {
		return counted.Strain(w.raw.Ratio(raw, w.excitation(z)), counted.Zero.Temperature, counted.Zero.LeadTemperature)
	}
	strain := func(change float64) Real { return Real(reduced(z.Raw.Mean+change) - reduced(z.Raw.Mean)) }
	// The line through the readings, as reduce.Drift has it, from running sums.
	n, tt := float64(z.Raw.N), z.Seconds.M2
	if n < 3 || tt == 0 {
		return l
	}
	slope := z.Joint / tt
	rest := math.Sqrt(math.Max(0, z.Raw.M2-slope*z.Joint) / (n - 2))
	length := math.Sqrt(12 * tt / n) // of evenly spaced readings
	l.Noise = Real(math.Abs(float64(strain(rest))))
	l.Trend = strain(slope * length)
	l.TrendError = Real(math.Abs(float64(strain(rest / math.Sqrt(tt) * length))))
	return l
}

// ZeroLimits say when a zero is refused. Common practice, no source.
type ZeroLimits struct {
	Noise  float64 // m/m; three times that of the zero before is allowed too
	Trend  float64 // m/m over the window, where it is more than three times its error
	Moved  float64 // K
	Fewest int     // readings
}

// DefaultZeroLimits are for strain of everyday accuracy.
var DefaultZeroLimits = ZeroLimits{Noise: 1e-6, Trend: 1e-6, Moved: 0.5, Fewest: 10}

// againstZero are the flags that a zero is refused for. Those that compare with
// the zero before mean nothing for the next, and a zero ends some.
const againstZero = flag.LeavesOutOfZero | flag.Uncured | flag.Outside | flag.WasOutside | flag.TemperatureFast |
	flag.TemperatureMissing | flag.TemperatureStale | flag.TemperatureAhead | flag.ExcitationBand | flag.ClockStepped | flag.PolynomialRange

// NotSaidIdle is the reason that the load state is no idle one.
const NotSaidIdle = "the article is not said to be idle"

// Against returns the reasons why the reading is no zero, none when it is one.
func (l *ZeroLook) Against(limits ZeroLimits) (reasons []string) {
	say := func(format string, values ...any) { reasons = append(reasons, fmt.Sprintf(format, values...)) }
	if l.Readings < limits.Fewest {
		say("%d readings, want %d", l.Readings, limits.Fewest)
	}
	if l.NotIdle {
		say(NotSaidIdle)
	}
	if m := l.Flags & againstZero; m != 0 {
		say("flagged %s", m)
	}
	noise := limits.Noise
	if before := 3 * float64(l.NoiseBefore); before > noise {
		noise = before
	}
	if float64(l.Noise) > noise {
		say("noise %.2f um/m, limit %.2f um/m", float64(l.Noise)*1e6, noise*1e6)
	}
	if trend := math.Abs(float64(l.Trend)); trend > limits.Trend && trend > 3*float64(l.TrendError) {
		say("trend %+.2f um/m over the window, limit %.2f um/m", float64(l.Trend)*1e6, limits.Trend*1e6)
	}
	if float64(l.Moved) > limits.Moved {
		say("temperature moved by about %.2f K, limit %.2f K", float64(l.Moved), limits.Moved)
	}
	return reasons
}
