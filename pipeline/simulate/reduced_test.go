package simulate_test

import (
	"bytes"
	"context"
	"math"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"glueline/pipeline/event"
	"glueline/pipeline/flag"
	"glueline/pipeline/frame"
	"glueline/pipeline/group"
	"glueline/pipeline/simulate"
	"glueline/pipeline/testfile"
	"glueline/pipeline/worker"
)

// averages is a sink that averages the columns of a test around its instants.
type averages struct {
	plan     *group.Plan
	window   time.Duration // around an instant
	instants []simulate.Instant
	sums     []map[string]*average // by column name, an instant each
	flags    map[string]masks      // by channel
}

// masks counts samples by all of their flags.
type masks map[flag.Mask]int

func (m masks) with(f flag.Mask) (n int) {
	for mask, count := range m {
		if mask&f != 0 {
			n += count
		}
	}
	return n
}

type average struct {
	sum float64
	n   int
}

func (a *averages) Append(b *group.Batch) error {
	for i, f := range a.plan.Fields(b.Source) {
		if f.Quantity == group.FlagMask {
			for _, m := range b.Columns[i].Flags {
				if a.flags[f.Of] == nil {
					a.flags[f.Of] = masks{}
				}
				a.flags[f.Of][flag.Mask(m)]++
			}
			continue
		}
		for k, in := range a.instants {
			at := in.Time.UnixNano()
			first, _ := slices.BinarySearch(b.Time[:b.Rows], at-int64(a.window/2))
			end, _ := slices.BinarySearch(b.Time[:b.Rows], at+int64(a.window/2))
			for _, v := range b.Columns[i].Float[first:end] {
				sum := a.sums[k][f.Name]
				if sum == nil {
					sum = new(average)
					a.sums[k][f.Name] = sum
				}
				sum.sum += v
				sum.n++
			}
		}
	}
	return nil
}

func (a *averages) Cut([]group.ZeroInForce) error { return nil }
func (a *averages) Abort() error                  { return nil }

// TestReductionRecoversTheTruth is the whole way there and back: the physical
// model makes raw files, the pipeline reduces them with the test file that a
// technician would have written, and strain and temperature come out as they
// went in, through a hot afternoon, a night, and eight fillings.
//
// Without noise, drift and lag, what is left is that the gauges' resistances
// are a little off their nominal ones, and the last bits of instruments. With
// them it is above all drift of the amplifiers, up to 1.2 um/m.
func TestReductionRecoversTheTruth(t *testing.T) {
	for _, c := range []struct {
		name     string
		options  simulate.Options
		absolute float64
	}{
		{"quiet", simulate.Options{Quiet: true}, quiet},
		{"csv", simulate.Options{Format: "csv"}, 2.5e-6},
		{"arrow", simulate.Options{Format: "arrow"}, 2.5e-6},
	} {
		t.Run(c.name, func(t *testing.T) {
			o := c.options
			o.Seed, o.Duration, o.Rate, o.Faults = 2, 24*time.Hour, 0.2, simulate.NoFaults
			truth, got := reduce(t, o, nil)
			if len(truth.Instants) != 16 {
				t.Errorf("%d instants in eight fillings and rests", len(truth.Instants))
			}
			for _, d := range departures(truth, got) {
				if !(math.Abs(d.off) <= c.absolute*d.scale+relative*math.Abs(d.want)) {
					t.Errorf("%s at %s: true %.5g, off by %.2g", d.column, d.time.Format(time.Kitchen), d.want, d.off)
				}
			}
		})
	}
}

// How near the truth the reduction comes when nothing unknowable is added.
const (
	quiet    = 0.1e-6 // strain
	relative = 3e-5
)

// departure is how far one value is from the truth. Scale is the allowance for
// it in that of strain.
type departure struct {
	column           string
	time             time.Time
	want, off, scale float64
}

func departures(truth simulate.Truth, got *averages) (list []departure) {
	for k, in := range truth.Instants {
		add := func(column string, want, scale float64) {
			off := math.NaN()
			if sum := got.sums[k][column]; sum != nil {
				off = sum.sum/float64(sum.n) - want
			}
			list = append(list, departure{column, in.Time, want, off, scale})
		}
		for name, want := range in.Strain {
			add(name+" [m/m]", want, 1)
		}
		for name, want := range in.Plane {
			for i, column := range []string{" ex [m/m]", " ey [m/m]", " gxy [m/m]"} {
				add(name+column, want[i], 2)
			}
		}
		for name, want := range in.Temperature {
			add(name+" [degC]", want, 1e5)
		}
		add("level [m]", in.Level, 2e4)
	}
	return list
}

// TestEveryConstantMatters: leave one correction out of the test file, and the
// reduction misses the truth by more than it is allowed to above.
func TestEveryConstantMatters(t *testing.T) {
	for _, c := range []struct{ name, from, to, shows string }{
		{"gauge factor", "gauge-factor: 2.08 ± 0.5 %", "gauge-factor: 2.085", "skin-9 [m/m]"},
		{"gauge-factor slope", "gauge-factor-slope: 0.9 %/100 degC", "gauge-factor-slope: 0 %/100 degC", "skin-9 [m/m]"},
		{"transverse sensitivity of a grid", "transverse-sensitivity: 0.8 %", "transverse-sensitivity: 0 %", "strap ey [m/m]"},
		{"thermal output", "[-24.5, 1.9, -0.0412, 1.9e-4]", "[0]", "skin-1 [m/m]"},
		{"thermal output in degF", "of: degF", "of: degC", "bush [m/m]"},
		{"reference gauge factor", "reference-gauge-factor: 2.1", "reference-gauge-factor: 2.0", "strap-b [m/m]"},
		{"expansion of the article", "expansion: 11.9e-6 /K", "expansion: 10.8e-6 /K", "skin-1 [m/m]"},
		{"Poisson's ratio of a half bridge", "poisson: 0.29", "poisson: 0.3", "brace [m/m]"},
		{"three-wire leads", "size: 0.14 mm2, length: 25 m", "size: 0.14 mm2, length: 22 m", "skin-9 [m/m]"},
		{"two-wire leads in the sun", "size: 0.5 mm2, length: 5 m", "size: 0.5 mm2, length: 4.8 m", "bush [m/m]"},
		{"half-bridge leads", "size: 0.25 mm2, length: 12 m", "size: 0.25 mm2, length: 6 m", "beam-n [m/m]"},
		{"excitation leads", "size: 0.25 mm2, length: 15 m", "size: 0.25 mm2, length: 12 m", "tie [m/m]"},
		{"remote sense", "remote-sense: yes", "remote-sense: no", "crank [m/m]"},
		{"span", "span: 0.9991", "span: 1", "skin-9 [m/m]"},
		{"span by shunt", "before: -0.015720 mV/V, with: 0.849376 mV/V", "before: -0.015720 mV/V, with: 0.848376 mV/V", "skin-5 [m/m]"},
		{"type of a thermocouple", "logger/T2, sensor: thermocouple, type: K", "logger/T2, sensor: thermocouple, type: T", "tc-mid [degC]"},
		{"sense of a rosette", "numbering: clockwise, ", "", "heel-w gxy [m/m]"},
		{"angle of grid a", "grid-a: 15 deg", "grid-a: 14 deg", "strap gxy [m/m]"},
		{"calibration of the level", "{raw: 20, value: 6}", "{raw: 20, value: 6.01}", "level [m]"},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			o := simulate.Options{Duration: 12 * time.Hour, Rate: 0.1, Faults: simulate.NoFaults, Quiet: true}
			truth, got := reduce(t, o, func(text string) string {
				if !strings.Contains(text, c.from) {
					t.Fatalf("the test file has no %q", c.from)
				}
				return strings.ReplaceAll(text, c.from, c.to)
			})
			missed := 0
			for _, d := range departures(truth, got) {
				if d.column == c.shows && math.Abs(d.off) > quiet*d.scale+relative*math.Abs(d.want) {
					missed++
				}
			}
			if missed == 0 {
				t.Errorf("%s is as true as before", c.shows)
			}
		})
	}
}

// TestDemoIsFlaggedWhereItMust: the bush for its missed ten minutes, the gauge
// on the dark plate beyond its adhesive's range and after that until its signed
// check, and no other channel for either.
func TestDemoIsFlaggedWhereItMust(t *testing.T) {
	_, got := reduce(t, simulate.Options{Seed: 2, Rate: 0.05, Faults: simulate.NoFaults}, nil)
	all := 48 * 3600 / 20
	for name, flags := range got.flags {
		if n := flags.with(flag.InstallationRule); (name == "bush") != (n == all) || name != "bush" && n != 0 {
			t.Errorf("%s is flagged installation-rule in %d of %d samples", name, n, all)
		}
		hot, since := flags.with(flag.AdhesiveRange), flags.with(flag.WasOutside)
		if name == "skin-1" {
			// An hour or more of one afternoon, and then until the next morning.
			if hot < 3600/20 || hot > 8*3600/20 || since < 10*3600/20 || since > 20*3600/20 {
				t.Errorf("skin-1 is flagged adhesive-range in %d and was-outside in %d of %d samples", hot, since, all)
			}
		} else if hot+since != 0 {
			t.Errorf("%s is flagged adhesive-range in %d and was-outside in %d samples", name, hot, since)
		}
	}
	if len(got.flags) < 32 {
		t.Errorf("flags of %d channels only", len(got.flags))
	}
}

// reduce simulates a test and reduces it, by its own test file or an edited one.
func reduce(t *testing.T, o simulate.Options, edit func(string) string) (simulate.Truth, *averages) {
	t.Helper()
	truth, err := simulate.Write(t.TempDir(), o, nil)
	if err != nil {
		t.Fatal(err)
	}
	if edit != nil {
		text, err := os.ReadFile(truth.TestFile)
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(truth.TestFile, []byte(edit(string(text))), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	test, err := testfile.Load(truth.TestFile)
	if err != nil {
		t.Fatal(err)
	}
	text, err := os.ReadFile(truth.Events)
	if err != nil {
		t.Fatal(err)
	}
	events, err := event.Read(truth.Events, bytes.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	plans, err := group.Plans(test)
	if err != nil || len(plans) != 1 {
		t.Fatalf("%d plans: %v", len(plans), err)
	}
	frames, err := frame.Open(test, truth.Files, nil)
	if err != nil {
		t.Fatal(err)
	}
	defer frames.Close()
	// Against noise, a minute; the water sways too much for that without it.
	window := time.Minute
	if o.Quiet {
		window = time.Second
	}
	a := &averages{plan: plans[0], window: window, instants: truth.Instants, flags: map[string]masks{}}
	for range truth.Instants {
		a.sums = append(a.sums, map[string]*average{})
	}
	work := &worker.Work{Plan: plans[0], Sinks: []worker.Sink{a}}
	if err := worker.Offline(context.Background(), frames, events, []*worker.Work{work}); err != nil {
		t.Fatal(err)
	}
	return truth, a
}
