package simulate

import (
	"bufio"
	"bytes"
	_ "embed"
	"errors"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"time"

	"glueline/pipeline/frame"
)

// What Options leave out.
const (
	DefaultDuration = 48 * time.Hour
	DefaultRate     = 1.0 // Hz
)

// DefaultStart is when the test begins.
var DefaultStart = time.Date(2026, 5, 4, 6, 0, 0, 0, time.UTC)

// Options say which test to make. In a test of a few fillings, below a day or so,
// slow faults have no rests to show in. The installation records are of April
// 2026: an earlier Start finds the adhesives uncured.
type Options struct {
	Seed     uint64
	Start    time.Time     // DefaultStart when zero
	Duration time.Duration // DefaultDuration when zero
	Rate     float64       // of the strain nodes in Hz; DefaultRate when zero
	Faults   []Fault       // nil: placed by the seed, their times scaled to Duration; NoFaults for none
	Format   string        // of the raw files: csv when empty, or arrow
	Quiet    bool          // no noise, no drift, sensors that do not lag: the physics alone
	Flicker  float64       // V/V: beside the white noise of amplifiers, coloured one: its standard deviation a decade
	Beat     Beat          // something shakes the gate
}

// Beat is a load cycle on top of the filling, in proportion to the water level: a
// gate that nobody fills is still.
type Beat struct {
	Hz    float64
	Share float64 // of the level
}

// ErrOptions occurs when no test can be made to the options.
var ErrOptions = errors.New("simulate: options")

func (o Options) filled() (Options, error) {
	if o.Start.IsZero() {
		o.Start = DefaultStart
	}
	if o.Duration == 0 {
		o.Duration = DefaultDuration
	}
	if o.Rate == 0 {
		o.Rate = DefaultRate
	}
	if o.Format == "" {
		o.Format = "csv"
	}
	if o.Faults == nil {
		o.Faults = scaled(PlaceFaults(o.Seed), o.Duration)
	}
	const longest = 31 * 24 * time.Hour
	switch {
	case !(o.Rate >= 0.01 && o.Rate <= 10000):
		return o, fmt.Errorf("%w: rate %v Hz is outside 0.01 to 10000 Hz", ErrOptions, o.Rate)
	case o.Duration < time.Minute || o.Duration > longest:
		return o, fmt.Errorf("%w: duration %v is outside 1 minute to %v", ErrOptions, o.Duration, longest)
	case o.Format != "csv" && o.Format != "arrow":
		return o, fmt.Errorf("%w: format %q is not csv or arrow", ErrOptions, o.Format)
	}
	return o, checkFaults(o.Faults)
}

// Truth is what the raw data were made of.
type Truth struct {
	Faults   []Fault // as they happened
	Instants []Instant
	Files    []string // raw files
	TestFile string
	Events   string
}

// Instant is what was true in the middle of a hold or of a rest.
type Instant struct {
	Time        time.Time
	Idle        bool
	Level       float64               // m above empty
	Strain      map[string]float64    // by channel, as it should report it: indicated strain for a rosette's grid
	Plane       map[string][3]float64 // by rosette: ex, ey and engineering shear strain gxy
	Temperature map[string]float64    // degC, by sensor
}

//go:embed hollin.yaml
var hollin []byte

// TestFile returns the test file of a test at DefaultRate.
func TestFile() []byte { return bytes.Clone(hollin) }

// testFile is the test file of a test at the rate of the options.
func (o Options) testFile() []byte {
	rate := []byte("rate: " + strconv.FormatFloat(o.Rate, 'g', -1, 64) + " Hz")
	return bytes.ReplaceAll(hollin, []byte("rate: 1 Hz"), rate)
}

// The temperature logger is a source of its own, with its rate in Hz.
const (
	loggerName = "logger"
	loggerRate = 0.2
)

// Write makes the test and writes its files into dir: hollin.yaml, one raw file
// a source, and events.jsonl. Progress, which may be nil, is told how much is
// done, from 0 to 1. The same options give the same bytes.
func Write(dir string, o Options, progress func(done float64)) (Truth, error) {
	o, err := o.filled()
	if err != nil {
		return Truth{}, err
	}
	if progress == nil {
		progress = func(float64) {}
	}
	tide := schedule{o.Duration}
	truth := Truth{
		Faults:   o.Faults,
		TestFile: filepath.Join(dir, "hollin.yaml"),
		Events:   filepath.Join(dir, "events.jsonl"),
	}
	sky := newWeather(o.Start, o.Duration, tide).warm(o.Faults)
	truth.Instants = instants(sky, o.Duration)

	plan := newPlan(o.Start, o.Duration)
	lines, err := plan.lines()
	if err != nil {
		return Truth{}, err
	}
	if err := os.WriteFile(truth.TestFile, o.testFile(), 0o644); err != nil {
		return Truth{}, fmt.Errorf("write test file: %w", err)
	}
	if err := os.WriteFile(truth.Events, lines, 0o644); err != nil {
		return Truth{}, fmt.Errorf("write events: %w", err)
	}

	// A source costs about as much as it has columns.
	done := 0.0
	all := channels()
	for _, s := range sources {
		n, err := newNode(s, all, o, plan, sky)
		if err != nil {
			return Truth{}, err
		}
		weight := float64(len(n.channels)) / float64(len(all))
		path := filepath.Join(dir, s.name+"."+o.Format)
		err = writeFile(path, o.Format, s.name, n, func(share float64) { progress(done + share*weight) })
		if err != nil {
			return Truth{}, err
		}
		done += weight
		truth.Files = append(truth.Files, path)
	}
	path := filepath.Join(dir, loggerName+"."+o.Format)
	if err := writeFile(path, o.Format, loggerName, newLogger(o, sky), func(float64) {}); err != nil {
		return Truth{}, err
	}
	truth.Files = append(truth.Files, path)
	progress(1)
	return truth, nil
}

// instants are in the middle of every hold and of every rest.
func instants(sky *weather, duration time.Duration) (list []Instant) {
	all := channels()
	for _, f := range sky.tide.fills() {
		for _, after := range []time.Duration{f.hold + holding/2, f.ended + resting/2} {
			if after >= duration {
				continue
			}
			in := Instant{
				Time:  sky.start.Add(after),
				Level: sky.tide.level(after), Idle: after > f.ended,
				Strain: map[string]float64{}, Plane: map[string][3]float64{}, Temperature: map[string]float64{},
			}
			for i := range all {
				c := &all[i]
				in.Strain[c.name] = c.reported(in.Level)
				if c.plane != nil {
					in.Plane[c.name[:len(c.name)-2]] = [3]float64{c.plane.x * in.Level, c.plane.y * in.Level, c.plane.shear * in.Level}
				}
			}
			for _, s := range sensors {
				in.Temperature[s.name] = sky.at(s.at, after)
			}
			list = append(list, in)
		}
	}
	return list
}

// rows makes the readings of a source, block by block.
type rows interface {
	columns() []frame.Column // with name and unit
	count() int
	// fill makes the rows from first on, one for each element of time.
	fill(first int, time []int64) []frame.Column
}

// blockRows is how many rows are made at a time.
const blockRows = 4096

func writeFile(path, format, source string, r rows, progress func(float64)) (err error) {
	file, err := os.Create(path)
	if err != nil {
		return fmt.Errorf("write raw file: %w", err)
	}
	defer func() {
		if closing := file.Close(); err == nil && closing != nil {
			err = fmt.Errorf("write raw file: %w", closing)
		}
	}()
	out := bufio.NewWriterSize(file, 1<<18)
	if err := writeRows(out, format, source, r, progress); err != nil {
		return fmt.Errorf("write raw file %s: %w", path, err)
	}
	if err := out.Flush(); err != nil {
		return fmt.Errorf("write raw file %s: %w", path, err)
	}
	return nil
}

func writeRows(out io.Writer, format, source string, r rows, progress func(float64)) error {
	var w interface {
		Write(time []int64, columns []frame.Column) error
		Close() error
	}
	if format == "arrow" {
		arrow, err := frame.NewArrowWriter(out, source, r.columns())
		if err != nil {
			return err
		}
		w = arrow
	} else {
		w = frame.NewCSVWriter(out, source, r.columns())
	}
	clock := make([]int64, blockRows)
	for first := 0; first < r.count(); first += blockRows {
		block := clock[:min(blockRows, r.count()-first)]
		if err := w.Write(block, r.fill(first, block)); err != nil {
			return errors.Join(err, w.Close())
		}
		progress(float64(first) / float64(r.count()))
	}
	return w.Close()
}

// ticks is the clock of a source.
type ticks struct {
	start time.Time
	early time.Duration // before the start of the test
	rate  float64       // Hz
	rows  int
	wrong []Fault // of its clock
}

func newTicks(o Options, name string, rate float64) ticks {
	t := ticks{start: o.Start, rate: rate, rows: int(o.Duration.Seconds() * rate)}
	for _, f := range o.Faults {
		if f.Kind == Clock && f.Channel == name {
			t.wrong = append(t.wrong, f)
		}
	}
	return t
}

func (t ticks) count() int { return t.rows }

// after is the time of a row since the start.
func (t ticks) after(row int) time.Duration {
	return time.Duration(math.Round(float64(row)/t.rate*1e9)) - t.early
}

func (t ticks) stamp(first int, clock []int64) {
	for i := range clock {
		after := t.after(first + i)
		clock[i] = t.start.Add(after).UnixNano()
		for k := range t.wrong {
			if t.wrong[k].holds(after) {
				clock[i] += int64(t.wrong[k].Value * 1e9)
			}
		}
	}
}

// node is a source of strain channels.
type node struct {
	ticks
	source
	channels []*simulated
	sky      *weather
	dark     []window
	sags     []Fault
	beat     Beat

	// The rod node also measures its excitation and the water level.
	supply *rand.Rand
	gauge  *rand.Rand
	hiss   float64 // factor on their noise

	heads   []frame.Column
	made    []frame.Column
	level   []float64
	volts   []float64 // of the excitation
	degrees [places][]float64
}

func newNode(s source, all []channel, o Options, plan *plan, sky *weather) (*node, error) {
	n := &node{ticks: newTicks(o, s.name, o.Rate), source: s, sky: sky, hiss: 1, beat: o.Beat}
	n.dark = append(windows(o.Faults, Dark, s.name), plan.dark[s.name]...)
	for _, f := range o.Faults {
		if f.Kind == Sag && f.Channel == s.name {
			n.sags = append(n.sags, f)
		}
	}
	if o.Quiet {
		n.hiss = 0
	}
	for _, c := range all {
		if c.source != s.name {
			continue
		}
		sim, err := newSimulated(c, o.Seed, plan, o.Faults)
		if err != nil {
			return nil, err
		}
		if o.Quiet {
			sim.silence()
		}
		if o.Flicker > 0 {
			sim.flicker = newFlicker(o.Seed, c.name, o.Flicker, o.Rate)
		}
		n.channels = append(n.channels, sim)
		n.heads = append(n.heads, frame.Column{Name: c.input, Unit: s.unit})
	}
	if s.excitation > 0 {
		n.supply = rand.New(rand.NewPCG(o.Seed, name("excitation")))
		n.gauge = rand.New(rand.NewPCG(o.Seed, name("level")))
		n.heads = append(n.heads, frame.Column{Name: "UX", Unit: "V"}, frame.Column{Name: "LV", Unit: "mA"})
	}
	for k, h := range n.heads {
		if s.unit == "count" {
			h.Counts = make([]int32, blockRows)
			if windows(o.Faults, NoReading, n.channels[k].channel.name) != nil {
				h.Valid = make([]bool, blockRows)
			}
		} else {
			h.Float = make([]float64, blockRows)
		}
		n.made = append(n.made, h)
	}
	n.level, n.volts = make([]float64, blockRows), make([]float64, blockRows)
	for p := range n.degrees {
		n.degrees[p] = make([]float64, blockRows)
	}
	return n, nil
}

func (n *node) columns() []frame.Column { return n.heads }

func (n *node) fill(first int, clock []int64) []frame.Column {
	n.stamp(first, clock)
	for i := range clock {
		after := n.after(first + i)
		n.level[i] = n.sky.tide.level(after)
		if n.beat.Hz > 0 {
			n.level[i] *= 1 + n.beat.Share*math.Sin(2*math.Pi*n.beat.Hz*after.Seconds())
		}
		n.volts[i] = n.excitationAt(after)
		for p := range n.degrees {
			n.degrees[p][i] = n.sky.at(place(p), after)
		}
	}
	out := make([]frame.Column, len(n.made))
	for k, c := range n.channels {
		out[k] = n.made[k].Slice(0, len(clock))
		degrees, leads := n.degrees[c.at], n.degrees[air]
		for i := range clock {
			x := c.read(n.after(first+i), degrees[i], leads[i], n.level[i], n.volts[i])
			if out[k].Valid != nil {
				if out[k].Valid[i] = !math.IsNaN(x); !out[k].Valid[i] {
					x = 0
				}
			}
			if out[k].Counts != nil {
				out[k].Counts[i] = int32(x)
			} else {
				out[k].Float[i] = x
			}
		}
	}
	if n.supply != nil {
		k := len(n.channels)
		out[k], out[k+1] = n.made[k].Slice(0, len(clock)), n.made[k+1].Slice(0, len(clock))
		for i := range clock {
			out[k].Float[i] = round(n.volts[i]+n.hiss*2e-6*n.supply.NormFloat64(), 1e-6)
			out[k+1].Float[i] = round(4+16*n.level[i]/levelRange+n.hiss*0.002*n.gauge.NormFloat64(), 1e-4)
		}
	}
	return out
}

// levelRange is the water level in m at which its transmitter gives 20 mA.
const levelRange = 6.0

// excitationAt returns the excitation in V: 0 when it is off, and drifting a
// little with the day where it is measured.
func (n *node) excitationAt(after time.Duration) float64 {
	if inside(n.dark, after) {
		return 0
	}
	if n.excitation == 0 {
		return 1
	}
	volts := n.excitation * (1 + 3e-4*math.Sin(2*math.Pi*after.Hours()/24+1))
	for k := range n.sags {
		if f := &n.sags[k]; f.holds(after) {
			volts *= 1 + f.Value
		}
	}
	return volts
}

// logger is the source of the temperatures.
type logger struct {
	ticks
	sky   *weather
	noise []*rand.Rand
	hiss  float64       // K
	lag   time.Duration // behind the gauges
	lost  [][]window    // when each sensor is lost
	heads []frame.Column
	made  []frame.Column
}

// What the logger's sensors do badly: they are behind the gauges beside them,
// and they are noisy.
const (
	sensorLag   = 20 * time.Second
	sensorNoise = 0.01 // K
)

func newLogger(o Options, sky *weather) *logger {
	l := &logger{ticks: newTicks(o, loggerName, loggerRate), sky: sky, hiss: sensorNoise, lag: sensorLag}
	// It is switched on before the nodes, so that their first row has a temperature.
	l.early = time.Duration(float64(time.Second) / loggerRate)
	if o.Quiet {
		l.hiss, l.lag = 0, 0
	}
	for _, s := range sensors {
		unit := map[byte]string{'K': "mV", 'T': "mV", 'P': "ohm", 'C': "degC"}[s.letter]
		head := frame.Column{Name: s.input, Unit: unit}
		l.heads = append(l.heads, head)
		head.Float = make([]float64, blockRows)
		l.made = append(l.made, head)
		l.noise = append(l.noise, rand.New(rand.NewPCG(o.Seed, name(s.name))))
		l.lost = append(l.lost, windows(o.Faults, LostThermocouple, s.name))
	}
	return l
}

func (l *logger) columns() []frame.Column { return l.heads }

func (l *logger) fill(first int, clock []int64) []frame.Column {
	l.stamp(first, clock)
	out := make([]frame.Column, len(l.made))
	for k, s := range sensors {
		out[k] = l.made[k].Slice(0, len(clock))
		for i := range clock {
			after := l.after(first + i)
			before := max(0, after-l.lag) // weather begins with the test
			t := l.sky.at(s.at, before) + l.hiss*l.noise[k].NormFloat64()
			switch {
			case inside(l.lost[k], after):
				out[k].Float[i] = math.NaN()
			case s.letter == 'P':
				out[k].Float[i] = round(platinum(t), 1e-4)
			case s.letter == 'C':
				out[k].Float[i] = round(t, 1e-3)
			default:
				box := l.sky.at(loggerBox, before)
				out[k].Float[i] = round(thermocouple(s.letter, t)-thermocouple(s.letter, box), 1e-5)
			}
		}
	}
	return out
}
