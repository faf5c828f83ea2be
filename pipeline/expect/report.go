package expect

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"glueline/pipeline/channel"
	"glueline/pipeline/group"
	"glueline/pipeline/testfile"
)

// Report is what to expect of a test.
type Report struct {
	Channels  []Channel // in the order of the file, a channel once a wire of the wiring map
	Rosettes  []Rosette
	Materials []Material // those that positions are on, in the order of their first use
	Subjects  []Subject  // with at least one finding: test, sources, channels, rosettes, auxiliary quantities, materials
}

// Channel is what to expect of a channel as one wire serves it.
type Channel struct {
	Name  string // with the gauge in brackets where several served the channel
	Wire  *testfile.Wire
	Shear bool // strain is engineering shear strain

	Bridge string
	Zero   channel.Zero // the file's, or ratio 0 at the temperature that zeroTemperature gives
	Stated bool         // the file states the zero

	Leads        channel.Leads // in the arms, or of the excitation of a full bridge
	Signal       Signal
	Shunt        *Shunt
	Thermal      Thermal
	Compensated  bool    // a temperature is at hand to remove thermal output
	PowerDensity float64 // W/m2 of grid; NaN when excitation or grid are not stated
	Rate         float64 // Hz
	PeakLoss     float64 // a part of 1; NaN without limits.frequency

	Installation string // name of the record; "" without one
	Envelope     testfile.Envelope
}

// Rosette is a set of grids and their angles on the article.
type Rosette struct {
	Name   string
	Form   string
	Sense  string
	Grids  []string
	Angles []float64 // rad, counterclockwise from the article's x axis
}

// Material is what positions are on, and where its figures come from.
type Material struct {
	Name    string
	Data    testfile.Material
	Library bool // the built-in library has a part in it
}

// Of works out what to expect of a test that testfile.Load accepted. now is the
// instant that certificates are judged at. An error means that a channel's
// constants cannot describe a bridge.
func Of(t *testfile.Test, now time.Time) (*Report, error) {
	var r Report
	var channels []Subject
	for i := range t.Channels.Entries {
		e := &t.Channels.Entries[i]
		wires := wiresOf(t, e)
		for _, w := range wires {
			name := e.Name
			if len(wires) > 1 {
				name = fmt.Sprintf("%s (%s)", e.Name, w.Gauge.Text)
			}
			c, subject, err := channelOf(t, e, w, name)
			if err != nil {
				return nil, fmt.Errorf("channel %s: %w", name, err)
			}
			r.Channels = append(r.Channels, c)
			channels = append(channels, subject)
		}
	}
	rosettes, err := r.addRosettes(t)
	if err != nil {
		return nil, err
	}
	materials := r.addMaterials(t)
	subjects := append([]Subject{aboutTest(t)}, sources(t, r.Channels)...)
	for _, more := range [][]Subject{channels, rosettes, auxiliaries(t, now), materials} {
		subjects = append(subjects, more...)
	}
	for _, s := range subjects {
		if len(s.Findings) > 0 {
			r.Subjects = append(r.Subjects, s.sorted())
		}
	}
	return &r, nil
}

// wiresOf returns the wires that serve a channel, in the order of the file.
func wiresOf(t *testfile.Test, e *testfile.Entry[testfile.Channel]) []*testfile.Wire {
	var wires []*testfile.Wire
	for i := range t.Wiring {
		if t.Wiring[i].Position.Text == e.Value.Position.Or(e.Name) {
			wires = append(wires, &t.Wiring[i])
		}
	}
	return wires
}

// either returns the channel's own quantity, the test's where it states none;
// NaN where neither does.
func either(own, general testfile.Quantity) float64 {
	if own.Given {
		return own.Value
	}
	return general.Or(math.NaN())
}

func channelOf(t *testfile.Test, e *testfile.Entry[testfile.Channel], w *testfile.Wire, name string) (Channel, Subject, error) {
	var none Subject
	constants, err := channel.FromTest(t, e.Name, w)
	if err != nil {
		return Channel{}, none, err
	}
	own, general := e.Value.Limits, t.About.Limits
	low := either(own.TemperatureLow, general.TemperatureLow)
	high := either(own.TemperatureHigh, general.TemperatureHigh)
	c := Channel{
		Name:        name,
		Wire:        w,
		Shear:       constants.Layout.Shear(),
		Bridge:      e.Value.Bridge.Text,
		Compensated: e.Value.Temperature.Text != "",
		Leads:       constants.Leads,
		Envelope:    t.Envelope(w.Gauge.Text),
	}
	if constants.Layout.Full() {
		c.Leads = constants.Excitation
	}
	c.Zero, c.Stated = zeroOf(t, &e.Value, low, high)
	ch, err := channel.New(constants, c.Zero)
	if err != nil {
		return Channel{}, none, err
	}
	if c.Signal, err = signalOf(constants, c.Zero, either(own.Strain, general.Strain)); err != nil {
		return Channel{}, none, err
	}
	if c.Shunt, err = shuntOf(constants, c.Zero); err != nil {
		return Channel{}, none, err
	}
	gauge, _ := t.Gauges.Get(w.Gauge.Text) // FromTest found them all
	lot, _ := t.Lots.Get(gauge.Lot.Text)
	if c.Thermal, err = thermalOf(constants, c.Zero, low, high, lot.ThermalOutput.Given); err != nil {
		return Channel{}, none, err
	}
	c.Installation = gauge.Installation.Text
	c.PowerDensity, c.Rate, c.PeakLoss = math.NaN(), math.NaN(), math.NaN()
	sourceName, input := testfile.SplitInput(w.Input.Text)
	source, ok := t.Sources.Get(sourceName)
	if !ok {
		return Channel{}, none, fmt.Errorf("no source %q", sourceName)
	}
	if source.Excitation.Given && lot.GridLength.Given && lot.GridWidth.Given {
		c.PowerDensity = PowerDensity(ch, source.Excitation.Value, lot.GridLength.Value*lot.GridWidth.Value)
	}
	c.Rate = source.Rate.Value
	if f := either(own.Frequency, general.Frequency); f == f {
		c.PeakLoss = PeakLoss(f, c.Rate)
	}
	j := judge{t: t, c: &c, ch: ch, name: e.Name, channel: &e.Value, gauge: gauge, lot: lot, source: source, input: input}
	return c, j.all(), nil
}

// zeroOf returns the zero that a channel's file states, or else one to reckon
// from.
func zeroOf(t *testfile.Test, c *testfile.Channel, low, high float64) (channel.Zero, bool) {
	z := t.About.Zero
	if c.Zero.Given {
		z = c.Zero
	}
	at := z.Temperature.Or(zeroTemperature(low, high))
	return channel.Zero{
		Ratio:           z.Ratio.Or(0),
		Temperature:     at,
		LeadTemperature: z.LeadTemperature.Or(at),
	}, z.Ratio.Given
}

// addRosettes fills in the rosettes and says what is odd about them. The angles
// are those that the reduction solves with.
func (r *Report) addRosettes(t *testfile.Test) ([]Subject, error) {
	angles, err := gridAngles(t)
	if err != nil {
		return nil, err
	}
	var subjects []Subject
	for i := range t.Rosettes.Entries {
		e := &t.Rosettes.Entries[i]
		rosette := Rosette{
			Name:   e.Name,
			Form:   e.Value.Form.Text,
			Sense:  e.Value.Numbering.Or("counterclockwise"),
			Angles: angles[e.Name],
		}
		s := Subject{Kind: "rosette", Name: e.Name}
		for k, grid := range e.Value.Grids {
			rosette.Grids = append(rosette.Grids, grid.Text)
			c, ok := t.Channels.Get(grid.Text)
			if !ok || k >= len(rosette.Angles) {
				continue
			}
			p, ok := t.Positions.Get(c.Position.Or(grid.Text))
			if ok && p.Angle.Given && apart(p.Angle.Value, rosette.Angles[k]) > sameDirection {
				s.add(Caution, "", "grid %s lies at %.4g deg by the rosette's form, numbering and grid-a, but its position says %.4g deg",
					grid.Text, degrees(rosette.Angles[k]), degrees(p.Angle.Value))
			}
		}
		r.Rosettes = append(r.Rosettes, rosette)
		subjects = append(subjects, s)
	}
	return subjects, nil
}

// gridAngles returns the angles of every rosette's grids in rad.
func gridAngles(t *testfile.Test) (map[string][]float64, error) {
	plans, err := group.Plans(t)
	if err != nil {
		return nil, err
	}
	angles := map[string][]float64{}
	for _, p := range plans {
		for _, source := range p.Sources() {
			c, _, err := p.Calibration(source)
			if err != nil {
				return nil, fmt.Errorf("source %s: %w", source, err)
			}
			for _, r := range c.Rosettes {
				for _, a := range r.Angles {
					angles[r.Name] = append(angles[r.Name], float64(a))
				}
			}
		}
	}
	return angles, nil
}

const sameDirection = 0.5 * math.Pi / 180 // closer than anybody bonds a gauge

// apart is the angle between two axes in rad, from 0 to a right angle.
func apart(a, b float64) float64 {
	return math.Abs(math.Remainder(a-b, math.Pi))
}

func degrees(rad float64) float64 { return rad * 180 / math.Pi }

// addMaterials fills in the materials and names the sources of those that come
// from the built-in library.
func (r *Report) addMaterials(t *testfile.Test) []Subject {
	var names []string
	for i := range r.Channels {
		p, _ := t.Positions.Get(r.Channels[i].Wire.Position.Text)
		if name := p.Material.Text; !slices.Contains(names, name) {
			names = append(names, name)
		}
	}
	var subjects []Subject
	for _, name := range names {
		m := Material{Name: name}
		m.Data, _ = t.Material(name)
		builtin, inLibrary := testfile.Library().Get(name)
		own, inFile := t.Materials.Get(name)
		var from []string
		if inLibrary {
			for _, q := range []struct {
				what          string
				own, standard testfile.Quantity
			}{
				{"young", figure(own, inFile).Young, builtin.Young},
				{"poisson", figure(own, inFile).Poisson, builtin.Poisson},
				{"expansion", figure(own, inFile).Expansion, builtin.Expansion},
				{"yield", figure(own, inFile).Yield, builtin.Yield},
			} {
				if !q.own.Given && q.standard.Given {
					from = append(from, q.what)
				}
			}
		}
		m.Library = len(from) > 0
		s := Subject{Kind: "material", Name: name}
		if m.Library {
			s.add(Note, builtin.Source.Text, "%s from the built-in library; state the article's own figures where the stress matters", strings.Join(from, ", "))
		}
		if inFile && own.Source.Text == "" {
			s.add(Missing, "", "the file does not say where its figures come from")
		}
		if !m.Data.Young.Given {
			s.add(Note, "", "no modulus: strain only, no stress")
		} else if !m.Data.Yield.Given {
			s.add(Missing, "", "no yield strength: stress beyond it cannot be flagged")
		}
		plausibleMaterial(&s, m.Data)
		r.Materials = append(r.Materials, m)
		subjects = append(subjects, s)
	}
	return subjects
}

// figure is the file's own entry, or an empty one.
func figure(own *testfile.Material, inFile bool) testfile.Material {
	if inFile {
		return *own
	}
	return testfile.Material{}
}
