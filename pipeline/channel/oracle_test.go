package channel_test

import (
	"bytes"
	"cmp"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"testing"

	"glueline/compensate"
	"glueline/pipeline/channel"
	"glueline/reduce"
)

const oracle = "../../testdata/oracle/reduce_numpy.py"

// Debian's NumPy belongs to this Python; PYTHON names another.
var python = cmp.Or(os.Getenv("PYTHON"), "/usr/bin/python3")

// A second program reduces the same raw file its own way: complete wiring
// solved for its voltages, strain by Newton's method (testdata/oracle). All
// layouts, every correction, random constants; they agree to 1e-9 strain.
func TestReductionAgreesWithIndependentProgram(t *testing.T) {
	if out, err := exec.Command(python, "-c", "import numpy").CombinedOutput(); err != nil {
		t.Fatalf("the independent program needs NumPy: install python3-numpy (%v: %s)", err, out)
	}
	const drawsPerLayout, rowsPerChannel = 12, 25
	rng := rand.New(rand.NewPCG(20, 24))
	var channels []*channel.Channel
	var constants []map[string]any
	var raw bytes.Buffer
	var ours []float64
	raw.WriteString("channel,ratio,gauge_degC,lead_degC\n")
	for _, layout := range reduce.Layouts() {
		for range drawsPerLayout {
			c, zero := drawChannel(rng, layout)
			ch, err := channel.New(c, zero)
			if err != nil {
				t.Fatal(err)
			}
			for range rowsPerChannel {
				ratio := zero.Ratio + uniform(rng, -4e-3, 4e-3)
				gauge, lead := uniform(rng, -40, 120), uniform(rng, -30, 60)
				fmt.Fprintf(&raw, "%d,%v,%v,%v\n", len(channels), ratio, gauge, lead)
				ours = append(ours, ch.Strain(ratio, gauge, lead))
			}
			channels = append(channels, ch)
			constants = append(constants, described(c, zero))
		}
	}
	theirs := runOracle(t, constants, raw.Bytes())
	if len(theirs) != len(ours) {
		t.Fatalf("%d strains from the independent program, %d rows", len(theirs), len(ours))
	}
	var worst, largest float64
	for i, u := range ours {
		difference := math.Abs(u - theirs[i])
		if !(difference <= 1e-9) {
			t.Errorf("channel %d (%s): strain %.12g, independent program %.12g",
				i/rowsPerChannel, channels[i/rowsPerChannel].Layout.Name, u, theirs[i])
		}
		worst, largest = math.Max(worst, difference), math.Max(largest, math.Abs(u))
	}
	// Agreement about nothing would prove nothing.
	if largest < 1e-3 {
		t.Errorf("the largest strain is only %g", largest)
	}
	t.Logf("%d rows of %d channels, largest difference %.2g", len(ours), len(channels), worst)
}

func uniform(rng *rand.Rand, lo, hi float64) float64 { return lo + (hi-lo)*rng.Float64() }

func drawChannel(rng *rand.Rand, layout reduce.Layout) (channel.Constants, channel.Zero) {
	resistance := []float64{120, 350, 1000}[rng.IntN(3)]
	c := channel.Constants{
		Layout:     layout,
		Resistance: resistance * uniform(rng, 0.997, 1.003),
		GaugeFactor: compensate.GaugeFactor{
			Value: uniform(rng, 1.95, 2.2), Reference: 24, Slope: uniform(rng, -1e-4, 2e-4),
		},
		Transverse:         uniform(rng, -0.02, 0.03),
		CalibrationPoisson: 0.285,
		Output: compensate.ThermalOutput{
			Coefficients: []float64{
				uniform(rng, -5e-5, 5e-5), uniform(rng, -3e-6, 3e-6), uniform(rng, -5e-8, 5e-8),
				uniform(rng, -3e-10, 3e-10), uniform(rng, -3e-13, 3e-13),
			},
			ReferenceGaugeFactor: 2,
			MaterialExpansion:    11.7e-6,
		},
		Young: 200e9, Poisson: uniform(rng, 0.25, 0.36), Expansion: uniform(rng, 9e-6, 24e-6),
		Mode:     channel.Uniaxial,
		Leads:    channel.Leads{Ohm20: uniform(rng, 0, 6), Tempco: compensate.CopperTempco},
		Polarity: []float64{1, -1}[rng.IntN(2)],
		Span:     uniform(rng, 0.98, 1.02),
	}
	if rng.IntN(2) == 0 {
		c.Completion = resistance
	}
	if layout.Quarter() {
		c.Mode = channel.Mode(rng.IntN(3))
		c.StrainRatio = uniform(rng, -0.5, 1)
	}
	if layout.Full() && rng.IntN(3) > 0 { // else with remote sense
		c.Excitation = channel.Leads{Ohm20: uniform(rng, 0, 6), Tempco: compensate.CopperTempco}
	}
	zero := channel.Zero{
		Ratio: uniform(rng, -3e-3, 3e-3), Temperature: uniform(rng, 0, 40), LeadTemperature: uniform(rng, 0, 40),
	}
	if rng.IntN(2) == 0 {
		addShunt(rng, &c, zero)
	}
	return c, zero
}

// addShunt gives the channel a shunt at one of the places its layout allows,
// read by an instrument whose gain is off by some per cent.
func addShunt(rng *rand.Rand, c *channel.Constants, zero channel.Zero) {
	b := reduce.Bridge{Layout: c.Layout}
	var places []reduce.ShuntLocation
	for _, l := range []reduce.ShuntLocation{reduce.ShuntGauge, reduce.ShuntCompletion, reduce.ShuntInstrument} {
		if b.ShuntFits(l) == nil {
			places = append(places, l)
		}
	}
	location := places[rng.IntN(len(places))]
	sign := -1.0
	if location == reduce.ShuntCompletion {
		sign = 1
	}
	resistor := c.Resistance * uniform(rng, 200, 900)
	step := sign * c.Polarity * c.Resistance / (4 * resistor) * uniform(rng, 0.97, 1.03)
	c.Shunt = &channel.Shunt{
		Location: location, Resistor: resistor, Calibrates: true, Before: zero.Ratio, With: zero.Ratio + step,
	}
}

// described is a channel in words and units of the independent program.
func described(c channel.Constants, zero channel.Zero) map[string]any {
	completion := c.Completion
	if completion == 0 {
		completion = c.Resistance
	}
	var shunt any
	if c.Shunt != nil {
		shunt = map[string]any{"location": c.Shunt.Location.String(), "ohm": c.Shunt.Resistor, "ratio": c.Shunt.With}
	}
	return map[string]any{
		"bridge": c.Layout.Name, "resistance_ohm": c.Resistance, "completion_ohm": completion,
		"gauge_factor": c.GaugeFactor.Value, "gauge_factor_reference_degC": c.GaugeFactor.Reference,
		"gauge_factor_slope_per_K": c.GaugeFactor.Slope,
		"transverse_sensitivity":   c.Transverse, "calibration_poisson": c.CalibrationPoisson,
		"thermal_output": c.Output.Coefficients, "reference_gauge_factor": c.Output.ReferenceGaugeFactor,
		"curve_expansion": c.Output.MaterialExpansion, "specimen_expansion": c.Expansion, "poisson": c.Poisson,
		"mode":         [...]string{"uniaxial", "indicated", "ratio"}[c.Mode],
		"strain_ratio": c.StrainRatio, "lead_ohm_20": c.Leads.Ohm20, "lead_tempco": c.Leads.Tempco,
		"excitation_ohm_20": c.Excitation.Ohm20, "polarity": c.Polarity, "span": c.Span, "shunt": shunt,
		"zero": map[string]any{"ratio": zero.Ratio, "gauge_degC": zero.Temperature, "lead_degC": zero.LeadTemperature},
	}
}

func runOracle(t *testing.T, constants any, raw []byte) []float64 {
	t.Helper()
	folder := t.TempDir()
	constantsFile, rawFile, strainFile := filepath.Join(folder, "constants.json"), filepath.Join(folder, "raw.csv"), filepath.Join(folder, "strain.csv")
	text, err := json.Marshal(constants)
	if err != nil {
		t.Fatal(err)
	}
	for name, data := range map[string][]byte{constantsFile: text, rawFile: raw} {
		if err := os.WriteFile(name, data, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	if out, err := exec.Command(python, oracle, constantsFile, rawFile, strainFile).CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	data, err := os.ReadFile(strainFile)
	if err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(bytes.NewReader(data)).ReadAll()
	if err != nil || len(rows) == 0 {
		t.Fatalf("strain file with %d rows: %v", len(rows), err)
	}
	strain := make([]float64, len(rows)-1)
	for i, row := range rows[1:] {
		if strain[i], err = strconv.ParseFloat(row[1], 64); err != nil {
			t.Fatal(err)
		}
	}
	return strain
}
