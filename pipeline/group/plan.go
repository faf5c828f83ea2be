package group

import (
	"errors"
	"fmt"
	"math"
	"sort"
	"strings"
	"time"

	"glueline/pipeline/channel"
	"glueline/pipeline/testfile"
	"glueline/reduce"
)

// MainGroup is the group of sources that name none.
const MainGroup = "main"

// Plan is a group of a test file made ready to reduce: who depends on whom, in
// the order in which it is worked through. It does not change.
type Plan struct {
	Name         string
	test         *testfile.Test
	sources      []*sourcePlan
	temperatures []*temperaturePlan
}

type sourcePlan struct {
	name      string
	source    *testfile.Source
	period    int64 // ns
	tolerance int64 // ns
	ahead     int64 // ns, that its clock is ahead
	warmUp    int64 // ns
	channels  []*channelPlan
	rosettes  []*rosettePlan
	auxiliary []*auxiliaryPlan
	fields    []Field
	owned     []int // temperatures read by this source
}

// channelPlan is a channel as far as one source serves it.
type channelPlan struct {
	name        string
	channel     *testfile.Channel
	limits      testfile.Limits
	zero        testfile.Zero
	wires       []*wirePlan
	temperature int // in Plan.temperatures, -1 for none
	stress      bool
	predictions []band
	strainAt    int // columns of the batch
	stressAt    int
	flagsAt     int
}

// band is the strain that is predicted for a step.
type band struct {
	step      string
	low, high float64
}

// wirePlan is one entry of the wiring map.
type wirePlan struct {
	key       string // input and gauge: what its state is found by
	input     string
	from, to  int64 // ns, to is excluded
	leads     int   // temperature of its leads, in Plan.temperatures, -1 for none
	constants channel.Constants
	envelope  testfile.Envelope
	curedAt   int64
	broken    bool
	unsigned  bool  // an installation record that nobody signed
	settling  int64 // ns, after a shunt is switched
	limit     thresholds
}

// at is the wire's place, source/input.
func (w *wirePlan) at() string {
	at, _, _ := strings.Cut(w.key, "|")
	return at
}

// thresholds are strains and temperatures beyond which a flag stands.
type thresholds struct {
	strain, elongation, yield float64
	polynomialLow, polynomialHigh,
	adhesiveLow, adhesiveHigh float64
}

type rosettePlan struct {
	name    string
	grids   []*channelPlan
	rosette reduce.Rosette
	elastic reduce.Elastic
	yield   float64
	stress  bool
	at      int // first of its columns in the batch
	flagsAt int
}

type temperaturePlan struct {
	name        string
	temperature *testfile.Temperature
	source      string
	input       string
	maxAge      int64
	rate        float64 // K/s; +Inf for no limit
	cold        int     // in Plan.temperatures, -1 for none
	column      int     // of its source's batch
}

type auxiliaryPlan struct {
	name      string
	auxiliary *testfile.Auxiliary
	input     string
	column    int
}

// Plans prepares every group of a test, in the order of their names.
func Plans(t *testfile.Test) ([]*Plan, error) {
	names := map[string]bool{}
	for _, s := range t.Sources.Entries {
		names[groupOf(&s.Value)] = true
	}
	sorted := make([]string, 0, len(names))
	for name := range names {
		sorted = append(sorted, name)
	}
	sort.Strings(sorted)
	var plans []*Plan
	for _, name := range sorted {
		p, err := newPlan(t, name)
		if err != nil {
			return nil, fmt.Errorf("group %s: %w", name, err)
		}
		plans = append(plans, p)
	}
	return plans, nil
}

func groupOf(s *testfile.Source) string { return s.Group.Or(MainGroup) }

// Test is the test file that the plan is of; it is not to be changed.
func (p *Plan) Test() *testfile.Test { return p.test }

// Sources returns the names of the group's sources in their order.
func (p *Plan) Sources() []string {
	names := make([]string, len(p.sources))
	for i, s := range p.sources {
		names[i] = s.name
	}
	return names
}

func newPlan(t *testfile.Test, name string) (*Plan, error) {
	p := &Plan{Name: name, test: t}
	entries := append([]testfile.Entry[testfile.Source](nil), t.Sources.Entries...)
	sort.Slice(entries, func(i, j int) bool { return entries[i].Name < entries[j].Name })
	for i := range entries {
		s := &entries[i].Value
		if groupOf(s) != name {
			continue
		}
		p.sources = append(p.sources, &sourcePlan{
			name:      entries[i].Name,
			source:    s,
			period:    int64(1e9 / s.Rate.Value),
			tolerance: nanoseconds(s.ClockTolerance.Or(0)),
			ahead:     nanoseconds(s.ClockAhead.Or(0)),
			warmUp:    nanoseconds(s.WarmUp.Or(0)),
		})
	}
	p.planTemperatures()
	for _, s := range p.sources {
		if err := p.planSource(s); err != nil {
			return nil, err
		}
	}
	return p, nil
}

func nanoseconds(seconds float64) int64 { return int64(math.Round(seconds * 1e9)) }

// splitInput splits "source/input".
func splitInput(w testfile.Word) (source, input string) {
	source, input, _ = strings.Cut(w.Text, "/")
	return source, input
}

func (p *Plan) source(name string) *sourcePlan {
	for _, s := range p.sources {
		if s.name == name {
			return s
		}
	}
	return nil
}

func (p *Plan) planTemperatures() {
	for i := range p.test.Temperatures.Entries {
		e := &p.test.Temperatures.Entries[i]
		source, input := splitInput(e.Value.Input)
		s := p.source(source)
		if s == nil {
			continue
		}
		s.owned = append(s.owned, len(p.temperatures))
		p.temperatures = append(p.temperatures, &temperaturePlan{
			name:        e.Name,
			temperature: &e.Value,
			source:      source,
			input:       input,
			maxAge:      nanoseconds(e.Value.MaxAge.Or(math.Max(10, 3/s.source.Rate.Value))),
			rate:        p.test.About.Limits.TemperatureRate.Or(math.Inf(1)),
			cold:        -1,
		})
	}
	for _, t := range p.temperatures {
		t.cold = p.temperature(t.temperature.ColdJunction.Text)
	}
}

// temperature returns the index of a temperature of the group, -1 for none.
func (p *Plan) temperature(name string) int {
	for i, t := range p.temperatures {
		if t.name == name {
			return i
		}
	}
	return -1
}

func (p *Plan) planSource(s *sourcePlan) error {
	for i := range p.test.Channels.Entries {
		e := &p.test.Channels.Entries[i]
		c, err := p.planChannel(s, e.Name, &e.Value)
		if err != nil {
			return err
		}
		if c != nil {
			s.channels = append(s.channels, c)
		}
	}
	for i := range p.test.Rosettes.Entries {
		e := &p.test.Rosettes.Entries[i]
		r, err := p.planRosette(s, e.Name, &e.Value)
		if err != nil {
			return err
		}
		if r != nil {
			s.rosettes = append(s.rosettes, r)
		}
	}
	for i := range p.test.Auxiliary.Entries {
		e := &p.test.Auxiliary.Entries[i]
		if source, input := splitInput(e.Value.Input); source == s.name {
			s.auxiliary = append(s.auxiliary, &auxiliaryPlan{name: e.Name, auxiliary: &e.Value, input: input})
		}
	}
	p.planFields(s)
	return nil
}

func (p *Plan) planChannel(s *sourcePlan, name string, ch *testfile.Channel) (*channelPlan, error) {
	c := &channelPlan{
		name:        name,
		channel:     ch,
		limits:      limitsOf(p.test, ch),
		zero:        p.test.About.Zero,
		temperature: p.temperature(ch.Temperature.Text),
	}
	if ch.Zero.Given {
		c.zero = ch.Zero
	}
	position := ch.Position.Or(name)
	for i := range p.test.Wiring {
		w := &p.test.Wiring[i]
		source, input := splitInput(w.Input)
		if w.Position.Text != position || source != s.name {
			continue
		}
		wire, err := p.planWire(c, name, input, w)
		if err != nil {
			return nil, err
		}
		c.wires = append(c.wires, wire)
		c.stress = c.stress || wire.constants.StressKind() != channel.NoStress
	}
	if len(c.wires) == 0 {
		return nil, nil
	}
	for i := range p.test.Predictions {
		pr := &p.test.Predictions[i]
		if pr.Channel.Text == name {
			c.predictions = append(c.predictions, band{pr.Step.Text, pr.Strain.Value - pr.Strain.Tolerance, pr.Strain.Value + pr.Strain.Tolerance})
		}
	}
	return c, nil
}

// leadTemperature returns the temperature of the leads of a wire: what the wire,
// else the channel states, else the gauge's own.
func (p *Plan) leadTemperature(c *channelPlan, w *testfile.Wire) int {
	for _, leads := range []*testfile.Leads{&w.Leads, &c.channel.Leads, &c.channel.Excitation} {
		if leads.Given {
			if name := leads.Temperature.Text; name != "" {
				return p.temperature(name)
			}
			break
		}
	}
	return c.temperature
}

// CheckSpans returns what speaks against reducing with a plan at all, though its
// test file is sound in itself: see trySpan.
func (p *Plan) CheckSpans() error {
	var problems []error
	for _, s := range p.sources {
		for _, c := range s.channels {
			for _, w := range c.wires {
				if err := trySpan(w.constants); err != nil {
					problems = append(problems, fmt.Errorf("channel %s: %w", c.name, err))
				}
			}
		}
	}
	return errors.Join(problems...)
}

// trySpan refuses shunt readings that no instrument's gain explains: the sign,
// the location or the resistor is wrong then, and every strain would be.
func trySpan(constants channel.Constants) error {
	if constants.Shunt == nil || !constants.Shunt.Calibrates {
		return nil
	}
	ready, err := channel.New(constants, channel.Zero{Temperature: noTemperature, LeadTemperature: noTemperature})
	if err != nil {
		return err
	}
	if span := ready.Span(); !(span > 0.5 && span < 2) {
		return fmt.Errorf("its shunt readings give a span of %.4g, which is no instrument's gain; see that location, resistor, before and with belong together, and polarity", span)
	}
	return nil
}

// limitsOf returns a channel's limits, the test's where it states none.
func limitsOf(t *testfile.Test, ch *testfile.Channel) testfile.Limits {
	l, d := ch.Limits, t.About.Limits
	for _, q := range []struct{ own, other *testfile.Quantity }{
		{&l.Strain, &d.Strain},
		{&l.TemperatureLow, &d.TemperatureLow},
		{&l.TemperatureHigh, &d.TemperatureHigh},
		{&l.TemperatureRate, &d.TemperatureRate},
		{&l.Excitation, &d.Excitation},
		{&l.Frequency, &d.Frequency},
	} {
		if !q.own.Given {
			*q.own = *q.other
		}
	}
	return l
}

func (p *Plan) planWire(c *channelPlan, name, input string, w *testfile.Wire) (*wirePlan, error) {
	constants, err := channel.FromTest(p.test, name, w)
	if err != nil {
		return nil, err
	}
	wire := &wirePlan{
		key:       w.Input.Text + "|" + w.Gauge.Text,
		input:     input,
		from:      math.MinInt64,
		to:        math.MaxInt64,
		leads:     p.leadTemperature(c, w),
		constants: constants,
		envelope:  p.test.Envelope(w.Gauge.Text),
		curedAt:   math.MinInt64,
		settling:  nanoseconds(c.channel.Shunt.Settling.Or(1)),
	}
	if w.From.Given {
		wire.from = w.From.UnixNano()
	}
	if w.To.Given {
		wire.to = w.To.UnixNano()
	}
	wire.broken = len(wire.envelope.Broken) > 0
	gauge, _ := p.test.Gauges.Get(w.Gauge.Text)
	wire.unsigned = gauge.Installation.Text != "" && !wire.envelope.Signed
	if at := wire.envelope.CuredAt; !at.IsZero() && at.After(time.Unix(0, math.MinInt64)) {
		wire.curedAt = at.UnixNano()
	}
	lot, _ := p.test.Lots.Get(gauge.Lot.Text)
	inf := math.Inf(1)
	wire.limit = thresholds{
		strain:         c.limits.Strain.Or(inf),
		elongation:     lot.Elongation.Or(inf),
		yield:          inf,
		polynomialLow:  lot.ThermalOutput.From.Or(-inf),
		polynomialHigh: lot.ThermalOutput.To.Or(inf),
		adhesiveLow:    wire.envelope.Lowest,
		adhesiveHigh:   wire.envelope.Highest,
	}
	if k := constants.Stiffness(); k > 0 && constants.Yield > 0 {
		yield := constants.Yield
		if constants.StressKind() == channel.ShearStress {
			yield /= math.Sqrt(3) // von Mises in pure shear
		}
		wire.limit.yield = yield / k
	}
	return wire, nil
}

func (p *Plan) planRosette(s *sourcePlan, name string, r *testfile.Rosette) (*rosettePlan, error) {
	plan := &rosettePlan{name: name, yield: math.Inf(1)}
	var transverse []float64
	calibration := 0.0
	for _, grid := range r.Grids {
		var c *channelPlan
		for _, candidate := range s.channels {
			if candidate.name == grid.Text {
				c = candidate
			}
		}
		if c == nil {
			return nil, nil // its grids come from another source
		}
		constants := c.wires[0].constants
		plan.grids = append(plan.grids, c)
		transverse = append(transverse, constants.Transverse)
		calibration = constants.CalibrationPoisson
		plan.elastic = reduce.Elastic{Young: constants.Young, Poisson: constants.Poisson}
		if constants.Yield > 0 {
			plan.yield = constants.Yield
		}
	}
	var err error
	if plan.rosette, err = reduce.NewRosette(gridAngles(r), transverse, calibration); err != nil {
		return nil, fmt.Errorf("rosette %s: %w", name, err)
	}
	plan.stress = plan.elastic.Young > 0
	return plan, nil
}

// gridAngles returns the angles of a rosette's grids in rad, counterclockwise
// from the article's x axis.
func gridAngles(r *testfile.Rosette) []float64 {
	var angles []float64
	switch r.Form.Text {
	case "rectangular":
		angles = []float64{0, math.Pi / 4, math.Pi / 2, 3 * math.Pi / 4}[:min(len(r.Grids), 4)]
	case "delta":
		angles = []float64{0, math.Pi / 3, 2 * math.Pi / 3}
	case "tee":
		angles = []float64{0, math.Pi / 2}
	default:
		for _, a := range r.Angles {
			angles = append(angles, a.Value)
		}
	}
	sense := 1.0
	if r.Numbering.Text == "clockwise" {
		sense = -1
	}
	out := make([]float64, len(angles))
	for i, a := range angles {
		out[i] = r.GridA.Or(0) + sense*a
	}
	return out
}

// ClockAhead returns how far the clock of a source is ahead in ns.
func (p *Plan) ClockAhead(source string) int64 {
	if s := p.source(source); s != nil {
		return s.ahead
	}
	return 0
}

// Rate returns the nominal sample rate of a source in Hz.
func (p *Plan) Rate(source string) float64 {
	if s := p.source(source); s != nil {
		return s.source.Rate.Value
	}
	return math.NaN()
}
