//go:build unix

package main

import (
	"bufio"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"syscall"
	"testing"

	"glueline/compensate"
	"glueline/pipeline/channel"
	"glueline/reduce"
)

// columns are one channel's inputs and result.
type columns struct {
	ratio, temperature, leads, dst []float64
}

// newColumns has a new temperature in every so many rows.
func newColumns(n, steady int) columns {
	c := columns{make([]float64, n), make([]float64, n), make([]float64, n), make([]float64, n)}
	for i := range n {
		x := float64(i)
		c.ratio[i] = 1e-3 + 8e-4*math.Sin(x/97) + 1e-6*math.Sin(17*x)
		at := float64(i - i%steady)
		c.temperature[i] = 20 + 15*math.Sin(at/4001)
		c.leads[i] = 15 + 20*math.Sin(at/4001+1)
	}
	return c
}

// write leaves the inputs for NumPy.
func (c columns) write(folder string, n int) error {
	for name, column := range map[string][]float64{"ratio": c.ratio, "temperature": c.temperature, "leads": c.leads} {
		if err := writeColumn(filepath.Join(folder, fmt.Sprintf("%s.%d.f64", name, n)), column); err != nil {
			return err
		}
	}
	return nil
}

// benchChannel has every correction that its bridge can have.
func benchChannel(layout string) (*channel.Channel, error) {
	l, ok := reduce.LayoutByName(layout)
	if !ok {
		return nil, fmt.Errorf("no bridge %q", layout)
	}
	c := channel.Constants{
		Layout: l, Resistance: 350.2, Completion: 350,
		GaugeFactor:        compensate.GaugeFactor{Value: 2.08, Reference: 24, Slope: 9e-5},
		Transverse:         0.007,
		CalibrationPoisson: 0.285,
		Output: compensate.ThermalOutput{
			Coefficients:         []float64{-3.18e-5, 2.77e-6, -6.55e-8, 3.28e-10, -3.26e-13},
			ReferenceGaugeFactor: 2, MaterialExpansion: 10.8e-6,
		},
		Young: 205e9, Poisson: 0.29, Expansion: 11.9e-6,
		Span: 1.002,
	}
	wires := channel.Leads{Ohm20: 1.3, Tempco: compensate.CopperTempco}
	if l.Full() {
		c.Excitation = wires
	} else {
		c.Leads = wires
	}
	return channel.New(c, channel.Zero{Ratio: 2e-4, Temperature: 18, LeadTemperature: 16})
}

// plainConstants is what the NumPy side needs to know of a channel.
func plainConstants(ch *channel.Channel) map[string]any {
	b := ch.Bridge()
	wires := ch.Leads
	if ch.Layout.Full() {
		wires = ch.Excitation
	}
	slopes := b.Response
	for i := range slopes {
		slopes[i] *= b.Gauge
	}
	return map[string]any{
		"zero_ratio": ch.Zero.Ratio, "zero_temperature": ch.Zero.Temperature,
		"gain":                     ch.Change(ch.Zero.Ratio + 1),
		"zero_model":               b.Ratio(0, ch.State(ch.Zero.Temperature, ch.Zero.LeadTemperature)),
		"output":                   ch.Output.Coefficients,
		"output_at_zero":           ch.Output.At(ch.Zero.Temperature),
		"reference_gauge_factor":   ch.Output.ReferenceGaugeFactor,
		"gauge_factor":             ch.GaugeFactor.Value,
		"gauge_factor_temperature": ch.GaugeFactor.Reference,
		"gauge_factor_slope":       ch.GaugeFactor.Slope,
		"expansion":                expansionTerm(ch),
		"lead_ohm":                 wires.Ohm20, "lead_tempco": wires.Tempco,
		"gauge": b.Gauge, "fixed": b.Completion, "slopes": slopes,
	}
}

func expansionTerm(ch *channel.Channel) float64 {
	return (1 + ch.Transverse) / (1 - ch.CalibrationPoisson*ch.Transverse) * (ch.Expansion - ch.Output.MaterialExpansion)
}

// kernel is a bridge under the short name that the NumPy script knows.
type kernel struct{ short, layout string }

// kernels times the composed chain of a channel against NumPy and against one
// loop in which everything was written out by hand, on one core.
func kernels(s *settings) error {
	defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(1))
	channels := map[string]*channel.Channel{}
	constants := map[string]any{}
	names := []kernel{{"quarter", "quarter_3wire"}, {"half", "half_bending"}, {"full", "full_bending_poisson"}}
	for _, name := range names {
		ch, err := benchChannel(name.layout)
		if err != nil {
			return err
		}
		channels[name.short], constants[name.short] = ch, plainConstants(ch)
	}
	text, err := json.Marshal(constants)
	if err != nil {
		return err
	}
	if err := os.WriteFile(filepath.Join(s.scratch, "constants.json"), text, 0o644); err != nil {
		return err
	}
	sizes := []int{10_000, 1_000_000}
	var scratch channel.Scratch
	for _, temperatures := range []struct {
		name   string
		steady int
		bar    float64
	}{
		{"a temperature for 997 rows, as 1 Hz beside 1 kHz", steadyRows, 5},
		{"another temperature in every row", 1, 0},
	} {
		fmt.Printf("Column kernels, all corrections, %s, one core each: times as fast as NumPy\n", temperatures.name)
		inputs := map[int]columns{}
		for _, n := range sizes {
			inputs[n] = newColumns(n, temperatures.steady)
			if err := inputs[n].write(s.scratch, n); err != nil {
				return err
			}
		}
		if err := againstNumPy(s, names, channels, inputs, sizes, temperatures.bar, &scratch); err != nil {
			return err
		}
	}

	fmt.Println("Composed chain against one loop written out by hand, another temperature in every row: part of its speed")
	ch, in := channels["quarter"], newColumns(10_000, 1)
	byHand := make([]float64, len(in.dst))
	r := result{what: "quarter_3wire, 10000 samples", bar: 0.5}
	for round := range s.rounds + 1 {
		composed := timed(func() {
			for range 400 {
				ch.StrainColumn(in.dst, in.ratio, in.temperature, in.leads, &scratch)
			}
		})
		fused := timed(func() {
			for range 400 {
				fusedQuarter(ch, byHand, in.ratio, in.temperature, in.leads)
			}
		})
		if round > 0 {
			r.ratios = append(r.ratios, fused/composed)
		}
	}
	difference := largestDifference(in.dst, byHand)
	r.note = fmt.Sprintf("largest difference %.1g strain", difference)
	r.print()
	if !(difference <= 1e-12) {
		return fmt.Errorf("the loop by hand differs by %g strain", difference)
	}

	fmt.Println("Allocations of one pass over 10000 samples")
	for _, name := range names {
		ch := channels[name.short]
		allocations := testing.AllocsPerRun(100, func() {
			ch.StrainColumn(in.dst, in.ratio, in.temperature, in.leads, &scratch)
		})
		fmt.Printf("  %-52s %7g\n", name.layout, allocations)
		if allocations != 0 {
			return fmt.Errorf("%s allocates", name.layout)
		}
	}
	return nil
}

// steadyRows is how many rows of the columns have one temperature; a number
// that fits no block.
const steadyRows = 997

func againstNumPy(s *settings, names []kernel, channels map[string]*channel.Channel, inputs map[int]columns, sizes []int, bar float64, scratch *channel.Scratch) error {
	numpy, err := startNumPy(s)
	if err != nil {
		return err
	}
	defer numpy.stop()
	for _, name := range names {
		for _, n := range sizes {
			ch, in := channels[name.short], inputs[n]
			passes := 4_000_000 / n
			r := result{what: fmt.Sprintf("%s, %d samples", name.layout, n), bar: bar}
			var rates []float64
			for round := range s.rounds + 1 {
				ours := timed(func() {
					for range passes {
						ch.StrainColumn(in.dst, in.ratio, in.temperature, in.leads, scratch)
					}
				})
				theirs, err := numpy.time(name.short, n, passes)
				if err != nil {
					return err
				}
				if round > 0 {
					r.ratios = append(r.ratios, theirs/ours)
					rates = append(rates, float64(n*passes)/ours/1e6)
				}
			}
			difference, err := numpy.difference(name.short, n, in.dst)
			if err != nil {
				return err
			}
			r.note = fmt.Sprintf("%.0f M samples/s; largest difference %.1g strain", median(rates), difference)
			r.print()
			if !(difference <= 1e-12) {
				return fmt.Errorf("%s: results differ by %g strain, more than 1e-12", name.layout, difference)
			}
		}
	}
	return nil
}

// fusedQuarter is the whole chain of a three-wire quarter bridge in one loop.
func fusedQuarter(ch *channel.Channel, dst, ratio, temperature, leads []float64) {
	b := ch.Bridge()
	gain, zero, model := ch.Change(ch.Zero.Ratio+1), ch.Zero.Ratio, b.Ratio(0, ch.State(ch.Zero.Temperature, ch.Zero.LeadTemperature))
	var p [5]float64
	copy(p[:], ch.Output.Coefficients)
	c0, c1, c2, c3, c4 := p[0], p[1], p[2], p[3], p[4]
	reference, at0, t0, expansion := ch.Output.ReferenceGaugeFactor, ch.Output.At(ch.Zero.Temperature), ch.Zero.Temperature, expansionTerm(ch)
	factor, from, factorSlope := ch.GaugeFactor.Value, ch.GaugeFactor.Reference, ch.GaugeFactor.Slope
	ohm, tempco := ch.Leads.Ohm20, ch.Leads.Tempco
	gauge, fixed, slope := b.Gauge, b.Completion, b.Gauge*b.Response[0]
	dst, temperature, leads = dst[:len(ratio)], temperature[:len(ratio)], leads[:len(ratio)]
	for i, r := range ratio {
		x := temperature[i]
		f := factor * (1 + factorSlope*(x-from))
		thermal := reference*(((((c4*x+c3)*x+c2)*x+c1)*x+c0)-at0) + f*expansion*(x-t0)
		lead := ohm * (1 + tempco*(leads[i]-20))
		s := gain*(r-zero) + model + 0.5
		t := 1 - s
		u := ((fixed+lead)*s - (gauge*(1+thermal)+lead)*t) / (slope * f * t)
		if !(s > 0 && t > 0) {
			u = math.NaN()
		}
		dst[i] = u
	}
}

// timed returns the seconds of processor time that some work of this process
// took: others that want the same core do not count.
func timed(work func()) float64 {
	before := processorTime()
	work()
	return processorTime() - before
}

func processorTime() float64 {
	var used syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &used); err != nil {
		return math.NaN()
	}
	return float64(used.Utime.Nano()+used.Stime.Nano()) / 1e9
}

func writeColumn(path string, x []float64) error {
	b := make([]byte, 0, 8*len(x))
	for _, v := range x {
		b = binary.LittleEndian.AppendUint64(b, math.Float64bits(v))
	}
	return os.WriteFile(path, b, 0o644)
}

// largestDifference is NaN when one value is and the other is not.
func largestDifference(a, b []float64) float64 {
	if len(a) != len(b) {
		return math.NaN()
	}
	largest := 0.0
	for i := range a {
		if math.IsNaN(a[i]) && math.IsNaN(b[i]) {
			continue
		}
		largest = max(largest, math.Abs(a[i]-b[i]))
	}
	return largest
}

// numPy is the other side of the kernels: a process that times on demand.
type numPy struct {
	process *exec.Cmd
	in      io.WriteCloser
	out     *bufio.Reader
	folder  string
}

func startNumPy(s *settings) (*numPy, error) {
	p := &numPy{process: exec.Command(s.python, filepath.Join(s.scripts, "kernels.py"), s.scratch), folder: s.scratch}
	p.process.Stderr = os.Stderr
	p.process.Env = append(os.Environ(), "OMP_NUM_THREADS=1", "OPENBLAS_NUM_THREADS=1")
	var err error
	if p.in, err = p.process.StdinPipe(); err != nil {
		return nil, err
	}
	out, err := p.process.StdoutPipe()
	if err != nil {
		return nil, err
	}
	p.out = bufio.NewReader(out)
	return p, p.process.Start()
}

func (p *numPy) time(kernel string, n, passes int) (float64, error) {
	if _, err := fmt.Fprintln(p.in, kernel, n, passes); err != nil {
		return 0, fmt.Errorf("NumPy: %w", err)
	}
	line, err := p.out.ReadString('\n')
	if err != nil {
		return 0, fmt.Errorf("NumPy: %w", err)
	}
	return strconv.ParseFloat(strings.TrimSpace(line), 64)
}

func (p *numPy) difference(kernel string, n int, ours []float64) (float64, error) {
	b, err := os.ReadFile(filepath.Join(p.folder, fmt.Sprintf("%s.%d.numpy.f64", kernel, n)))
	if err != nil {
		return 0, err
	}
	if len(b) != 8*n {
		return 0, errors.New("NumPy's result has another length")
	}
	theirs := make([]float64, n)
	for i := range theirs {
		theirs[i] = math.Float64frombits(binary.LittleEndian.Uint64(b[8*i:]))
	}
	return largestDifference(ours, theirs), nil
}

func (p *numPy) stop() {
	_ = p.in.Close()     // the end of its input ends it
	_ = p.process.Wait() // it has answered everything it was asked
}
