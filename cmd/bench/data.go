//go:build unix

package main

import (
	"bufio"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"time"

	"glueline/compensate"
	"glueline/pipeline/frame"
)

// recording is what a node of 32 quarter bridges and a temperature logger give.
type recording struct {
	rateHz float64
	rows   int
	unit   string // of the node's inputs: "mV/V" or "count"
	arrow  bool   // else CSV; temperatures are always CSV
}

const (
	inputs      = 32
	zeroSeconds = 2
	nanovolts   = 0.5 // V/V a count, 1e-9
)

// files are the paths of a recording and its test file.
type files struct {
	test, node, climate string
	bytes               int64
}

func (f files) raw() []string { return []string{"node=" + f.node, "climate=" + f.climate} }

// write makes the files of a recording in a folder.
func (r recording) write(folder string) (files, error) {
	f := files{
		test:    filepath.Join(folder, "test.yaml"),
		node:    filepath.Join(folder, "node.csv"),
		climate: filepath.Join(folder, "climate.csv"),
	}
	if r.arrow {
		f.node = filepath.Join(folder, "node.arrow")
	}
	if err := os.MkdirAll(folder, 0o755); err != nil {
		return f, err
	}
	if err := os.WriteFile(f.test, []byte(r.testFile()), 0o644); err != nil {
		return f, err
	}
	if err := r.writeClimate(f.climate); err != nil {
		return f, err
	}
	if err := r.writeNode(f.node); err != nil {
		return f, err
	}
	for _, path := range []string{f.node, f.climate} {
		info, err := os.Stat(path)
		if err != nil {
			return f, err
		}
		f.bytes += info.Size()
	}
	return f, nil
}

func (r recording) testFile() string {
	var b strings.Builder
	fmt.Fprintf(&b, `# Invented for measuring speed.
test:
  name: speed
  zone: UTC
  zero: {first: %d s}
  limits: {strain: 1500 um/m}
sources:
  node:
    rate: %g Hz
    unit: %s
    scale: %g nV/V per count
    range: %s
  climate:
    rate: 1 Hz
    unit: degC
lots:
  A:
    resistance: 350 ohm
    gauge-factor: 2.08
    gauge-factor-temperature: 24 degC
    gauge-factor-slope: 0.9 %%/100 degC
    transverse-sensitivity: 0.7 %%
    calibration-poisson: 0.285
    thermal-output:
      in: microstrain
      of: degC
      coefficients: [-31.8, 2.77, -6.55e-2, 3.28e-4, -3.26e-7]
      reference-gauge-factor: 2.0
      material-expansion: 10.8e-6 /K
      from: -20 degC
      to: 120 degC
materials:
  plate: {young: 205 GPa, poisson: 0.29, expansion: 11.9 um/m/K, yield: 355 MPa, family: steel}
temperatures:
  air: {input: climate/T1}
`, zeroSeconds, r.rateHz, r.unit, nanovolts, map[string]string{"mV/V": "5 mV/V", "count": "10000000 count"}[r.unit])
	section := func(name, line string) {
		fmt.Fprintln(&b, name+":")
		for i := range inputs {
			fmt.Fprintf(&b, line, i+1)
		}
	}
	section("gauges", "  G%d: {lot: A}\n")
	section("positions", "  C%d: {material: plate}\n")
	section("wiring", "  - {position: C%[1]d, gauge: G%[1]d, input: node/C%[1]d}\n")
	section("channels", "  C%d: {bridge: quarter_3wire, temperature: air, leads: {resistance: 1.3 ohm}}\n")
	return b.String()
}

// constants are what the pandas script needs to know of the test file.
func (r recording) constants() ([]byte, error) {
	const transverse, calibration, poisson = 0.007, 0.285, 0.29
	return json.Marshal(map[string]any{
		"temperature_column": "T1 [degC]", "zero_seconds": zeroSeconds,
		"output":                 []float64{-31.8e-6, 2.77e-6, -6.55e-8, 3.28e-10, -3.26e-13},
		"reference_gauge_factor": 2.0,
		"gauge_factor":           2.08, "gauge_factor_slope": 0.9e-4, "gauge_factor_temperature": 24,
		"expansion": (1 + transverse) / (1 - calibration*transverse) * (11.9e-6 - 10.8e-6),
		"lead_ohm":  1.3, "lead_tempco": compensate.CopperTempco,
		"gauge": 350, "fixed": 350, "young": 205e9, "limit": 1500e-6,
		"response": compensate.Response(1, -poisson, transverse, calibration),
	})
}

var begin = time.Date(2026, 5, 4, 8, 0, 0, 0, time.UTC)

// rawWriter is what the writers of raw files have in common.
type rawWriter interface {
	Write(time []int64, columns []frame.Column) error
	Close() error
}

func create(path string, source string, columns []frame.Column, fill func(rawWriter) error) (err error) {
	f, err := os.Create(path)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	out := bufio.NewWriterSize(f, 1<<20)
	var w rawWriter
	if strings.HasSuffix(path, ".arrow") {
		if w, err = frame.NewArrowWriter(out, source, columns); err != nil {
			return err
		}
	} else {
		w = frame.NewCSVWriter(commentless{out}, source, columns)
	}
	return errors.Join(fill(w), w.Close(), out.Flush())
}

// commentless leaves out the first line, which names the source: the pandas
// script reads faster without.
type commentless struct{ out *bufio.Writer }

func (c commentless) Write(p []byte) (int, error) {
	n := len(p)
	if strings.HasPrefix(string(p[:min(n, 9)]), "# source:") {
		p = p[strings.IndexByte(string(p), '\n')+1:]
	}
	_, err := c.out.Write(p)
	return n, err
}

func (r recording) writeClimate(path string) error {
	columns := []frame.Column{{Name: "T1", Unit: "degC"}}
	return create(path, "climate", columns, func(w rawWriter) error {
		for second := range int(float64(r.rows)/r.rateHz) + 2 {
			columns[0].Float = []float64{math.Round(1000*(18+4*math.Sin(float64(second)/300))) / 1000}
			if err := w.Write([]int64{begin.UnixNano() + int64(second)*1e9}, columns); err != nil {
				return err
			}
		}
		return nil
	})
}

func (r recording) writeNode(path string) error {
	const block = 16384
	columns := make([]frame.Column, inputs)
	for i := range columns {
		columns[i] = frame.Column{Name: fmt.Sprint("C", i+1), Unit: r.unit}
		if r.unit == "count" {
			columns[i].Unit, columns[i].Counts = "", make([]int32, block)
		} else {
			columns[i].Float = make([]float64, block)
		}
	}
	times := make([]int64, block)
	period := int64(1e9 / r.rateHz)
	noise := uint64(88172645463325252)
	return create(path, "node", columns, func(w rawWriter) error {
		part := make([]frame.Column, inputs)
		for from := 0; from < r.rows; from += block {
			n := min(block, r.rows-from)
			for row := range n {
				times[row] = begin.UnixNano() + int64(from+row)*period
			}
			for i := range columns {
				c, s := 0.0, 0.0
				for row := range n {
					if row%16 == 0 { // the load is slow, and sines are not cheap
						s = math.Sin(float64(from+row) / r.rateHz / (1 + float64(i)/8))
						c = 0.1*float64(i%7) + 0.25*s
					}
					noise ^= noise << 13
					noise ^= noise >> 7
					noise ^= noise << 17
					millivolts := c + 0.002*(float64(noise>>40)/(1<<24)-0.5)
					if columns[i].Counts != nil {
						columns[i].Counts[row] = int32(millivolts * 1e6 / nanovolts)
					} else {
						columns[i].Float[row] = math.Round(millivolts*1e6) / 1e6
					}
				}
				part[i] = columns[i].Slice(0, n)
			}
			if err := w.Write(times[:n], part); err != nil {
				return err
			}
		}
		return nil
	})
}
