package main

import (
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"glueline/pipeline/printable"
	"glueline/pipeline/thermalfit"
)

// thermalReport is a fit and what it was made of.
type thermalReport struct {
	*thermalData
	fit           *thermalfit.Fit
	results, test string
}

// name is what was fitted: only what is free of stress is called thermal output.
func (r *thermalReport) name() string {
	if r.what.free {
		return "Thermal output"
	}
	return "Temperature response of gauge and structure together"
}

func (r *thermalReport) span() string {
	return fmt.Sprintf("%s to %s", minuteOf(r.first), minuteOf(r.last))
}

func minuteOf(ns int64) string { return time.Unix(0, ns).UTC().Format("2006-01-02 15:04Z") }

// source says what makes the readings free of stress, or does not.
func (r *thermalReport) source() string {
	if !r.what.free {
		return "readings without load"
	}
	witnesses := slices.ContainsFunc(r.what.channels, func(name string) bool { return !r.what.idle[name] })
	parts := slices.ContainsFunc(r.what.channels, func(name string) bool { return r.what.idle[name] })
	switch {
	case witnesses && parts:
		return "witness gauges on free coupons, and without load parts that are declared free to expand"
	case witnesses:
		return "witness gauges on free coupons"
	}
	return "readings without load of parts that are declared free to expand"
}

func (r *thermalReport) print(w io.Writer) {
	f := r.fit
	var b strings.Builder
	paragraph(&b, "", "", fmt.Sprintf("%s of %s, from %s.", r.name(), r.what.subject(), r.source()))
	paragraph(&b, "", "", fmt.Sprintf("%s, %.1f to %.1f degC. %d samples count, in %s of %s; of %d, %d are left out for their flags and %d for not being without load.",
		r.span(), f.Low, f.High, r.samples, count(f.Readings, "mean"), r.readings.Width(), r.seen, r.flagged, r.loaded))
	if len(r.what.withheld) > 0 {
		paragraph(&b, "", "", fmt.Sprintf("Not among them: %s, of the same lot and not declared free to expand.", some(r.what.withheld)))
	}
	fmt.Fprintln(w, printable.Lines(b.String()))

	fmt.Fprintf(w, "Degree %d, by least AICc with effective readings (Hurvich and Tsai 1989):\n", f.Degree)
	t := table{head: []string{"degree", "residual sd um/m", "AICc", "weight", ""}, right: []bool{true, true, true, true, false}}
	for _, c := range f.Candidates {
		taken := ""
		if c.Degree == f.Degree {
			taken = "taken"
		}
		t.rows = append(t.rows, []string{strconv.Itoa(c.Degree), um(c.SD, 2), digits(c.AICc, 1), digits(c.Weight, 2), taken})
	}
	t.write(w)

	fmt.Fprintf(w, "\nStrain at a gauge factor of %s, 0 at %s degC; its band at 95 %%, and what the reduction takes out now:\n", exact(r.what.reference), exact(math.Round(f.Anchor*10)/10))
	t = table{head: []string{"degC", "um/m", "± um/m", "now um/m"}, right: []bool{true, true, true, true}}
	for _, temperature := range temperaturesOf(f.Low, f.High) {
		t.rows = append(t.rows, []string{digits(temperature, 1), um(f.At(temperature), 1), um(f.Band(temperature, f.Anchor), 2), um(r.now(temperature), 1)})
	}
	t.write(w)

	fmt.Fprintf(w, "\nWhat the fit is worth:\n")
	say := func(what, form string, values ...any) {
		var b strings.Builder
		const indent = 24
		paragraph(&b, fmt.Sprintf("  %-*s", indent-2, what), strings.Repeat(" ", indent), fmt.Sprintf(form, values...))
		fmt.Fprint(w, printable.Lines(b.String()))
	}
	say("band", "at most ± %s um/m for any zero and reading between %.1f and %.1f degC, the choice of the degree in it (%d degrees of freedom)", um(f.LargestBand(), 2), f.Low, f.High, f.Freedom)
	say("effective readings", "%.1f of %d: neighbours repeat each other (autocorrelation %s), and so do channels with a sensor in common", f.Effective, f.Readings, digits(f.Lag1, 3))
	if n := len(f.Candidates); n < thermalfit.Highest {
		say("", "That is too few to try more than degree %d: wait for more cycles of temperature.", n)
	}
	say("residuals", "sd %s um/m, largest %s um/m at %.1f degC, %s um/m a day against time", um(f.SD, 2), um(f.Largest, 2), f.LargestAt, um(f.PerDay, 3))
	say("falling less rising", "%s um/m over the range, %s um/m where it is largest (%d and %d means)", um(f.Hysteresis, 2), um(f.LargestLoop, 2), f.Falling, f.Rising)
	if math.Abs(f.LargestLoop) > 2*max(f.SD, f.LargestBand()) {
		say("", "More than scatter: the sensor or the part lags. The band does not hold it; look at the plot, and leave out fast changes (temperature-rate).")
	}
	if !math.IsNaN(f.Scatter) {
		say("gauge to gauge", "slopes differ with an sd of %s um/m per K; a single gauge of the lot differs from the curve by that, beside the band", um(f.Scatter, 4))
		for _, g := range f.Gauges {
			say("", "%s: %s um/m per K from the curve, residual sd %s um/m, %d means", g.Channel, um(g.Slope, 4), um(g.SD, 2), g.Readings)
		}
	}
	if odd := f.Outliers(); len(odd) > 0 {
		say("odd gauges", "%s: residuals of more than three times those of most. A faulty gauge draws the curve to itself: see glueline drift, and fit the others by --channels.", some(odd))
	}
	if r.what.free && !r.what.expansion.Given {
		say("material", "the test file has no expansion of %s: the curve is for gauges on it alone", r.what.material)
	}
}

// now is what the reduction takes out at the end of the readings, as the curve
// is stated.
func (r *thermalReport) now(temperature float64) float64 {
	if r.removed == nil {
		return math.NaN()
	}
	return (r.removed.State(temperature, temperature).Thermal - r.removed.State(r.fit.Anchor, r.fit.Anchor).Thermal) / r.what.reference
}

// temperaturesOf are some ten round temperatures of a range, and its ends.
func temperaturesOf(low, high float64) []float64 {
	step := 1.0
	for _, s := range []float64{1, 2, 5, 10, 20, 50, 100} {
		if step = s; (high-low)/s <= 10 {
			break
		}
	}
	all := []float64{low}
	for t := step * (math.Floor(low/step) + 1); t < high; t += step {
		all = append(all, t)
	}
	return append(all, high)
}

// proposal is the curve as a test file has it, with where it comes from. What
// nobody has taken over yet is a comment.
func (r *thermalReport) proposal() string {
	f := r.fit
	var b strings.Builder
	say := func(form string, values ...any) {
		b.WriteString("# " + printable.Text(fmt.Sprintf(form, values...)) + "\n")
	}
	say("Proposal of %s, not in force. Look at the plot and the residuals, then put it into the", program().Version)
	say("test file in place of the lot's thermal-output, and reduce again: glueline rereduce --calibration.")
	say("It is that of every gauge of the lot. For some of them, give those a lot of their own.")
	say("Taken over by:            on:")
	say("")
	say("of         %s", r.what.subject())
	say("from       %s", r.source())
	say("data       %s, test %s, %s", r.results, r.test, r.span())
	say("readings   %d samples in %d means of %s, worth %.1f independent ones", r.samples, f.Readings, r.readings.Width(), f.Effective)
	say("range      %.1f to %.1f degC, rising in %d means and falling in %d", f.Low, f.High, f.Rising, f.Falling)
	say("degree     %d, of 1 to %d that were tried, by least AICc with effective readings", f.Degree, len(f.Candidates))
	say("residuals  sd %s um/m, largest %s um/m, falling less rising %s um/m at most", um(f.SD, 3), um(f.Largest, 3), um(f.LargestLoop, 3))
	say("band       95 %%, at most ± %s um/m for any zero and reading in the range", um(f.LargestBand(), 3))
	if !math.IsNaN(f.Scatter) {
		say("scatter    sd %s um/m per K from gauge to gauge, of %d", um(f.Scatter, 5), len(f.Gauges))
	}
	var errs []string
	for _, e := range f.Errors[1:] {
		errs = append(errs, strconv.FormatFloat(e*1e6, 'g', 3, 64))
	}
	say("errors     %s um/m, standard, of the powers of degC from the first on", strings.Join(errs, ", "))
	var coefficients []string
	for _, c := range f.Coefficients {
		coefficients = append(coefficients, strconv.FormatFloat(c*1e6, 'g', 12, 64))
	}
	fmt.Fprintf(&b, "lots:\n  %s:\n    thermal-output:\n      in: microstrain\n      of: degC\n      coefficients: [%s]\n      reference-gauge-factor: %s\n",
		proposalKey(r.what.lot), strings.Join(coefficients, ", "), exact(r.what.reference))
	if r.what.expansion.Given {
		fmt.Fprintf(&b, "      material-expansion: %s /K\n", exact(r.what.expansion.Value))
	} else {
		say("No material-expansion: the test file states none of %s, and the curve is for gauges on it alone.", r.what.material)
	}
	// Rounded inwards: the curve is not good beyond its readings.
	fmt.Fprintf(&b, "      from: %s degC\n      to: %s degC\n", digits(math.Ceil(f.Low*10)/10, 1), digits(math.Floor(f.High*10)/10, 1))
	return b.String()
}
