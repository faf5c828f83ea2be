package testfile

import (
	"fmt"
	"math"
	"slices"
	"sort"
	"strings"
	"time"
)

// checker holds the parts of a test file against each other. It reports a
// mistake where it was made and only once: what could not be read, or refers to
// nothing, is not judged any further.
type checker struct {
	*decoder
	*Test
	told     map[Mark]bool       // places already reported by checks that many channels share
	sources  map[string][]string // sources that a position was wired to, in order of time
	gaugesAt map[string][]string // gauges that served a position
	misread  map[string]bool     // paths at or below which something could not be read

	suggested int
}

func (d *decoder) crossCheck(t *Test) {
	c := &checker{decoder: d, Test: t, told: map[Mark]bool{}, sources: map[string][]string{}, gaugesAt: map[string][]string{}, misread: misread(d.problems)}
	c.checkAbout()
	c.checkSources()
	c.checkLots()
	c.checkInstallations()
	c.checkGauges()
	c.checkWiring()
	c.checkPositions()
	c.checkTemperatures()
	c.checkAuxiliary()
	c.checkRosettes() // before channels: grids get their transverse mode here
	c.checkChannels()
	c.checkEvidence()
	c.checkFatigue()
	c.checkPredictions()
	c.checkAlarms()
	c.checkDrawing()
	c.checkNames()
}

// names is a Named of any type, for references.
type names interface {
	has(name string) bool
	complete() bool
	first() []string // for suggestions
}

func (n Named[T]) has(name string) bool { _, ok := n.Get(name); return ok }
func (n Named[T]) complete() bool       { return !n.partial }

func (n Named[T]) first() []string {
	n.Entries = n.Entries[:min(len(n.Entries), mostSuggestions)]
	return n.Names()
}

// refer reports a reference to something that the file does not define.
func (c *checker) refer(w Word, path, what string, in names) bool {
	if w.Text == "" {
		return false
	}
	if in.has(w.Text) {
		return true
	}
	if in.complete() {
		c.report(w.Mark, path, fmt.Sprintf("the %s %s, which is not defined", what, quote(w.Text)), c.suggest(w.Text, in))
	}
	return false
}

// suggest is oneOf for names of the file's own. A file with more wrong names than
// anybody corrects one by one gets no more suggestions.
func (c *checker) suggest(found string, in names) string {
	const most = 1000
	if c.suggested++; c.suggested > most {
		return "one that the file defines"
	}
	return oneOf(found, in.first())
}

// once reports unless that place has been reported.
func (c *checker) once(m Mark, path, found, want string) {
	if !c.told[m] {
		c.told[m] = true
		c.report(m, path, found, want)
	}
}

func (c *checker) checkAbout() {
	c.refer(c.About.Load, "test.load", "auxiliary quantity", c.Auxiliary)
	c.checkZero(c.About.Zero, "test.zero")
	c.checkLimits(c.About.Limits, "test.limits")
}

// checkZero holds a zero to exactly one of its forms.
func (c *checker) checkZero(z Zero, path string) {
	if !z.Given {
		return
	}
	const want = "exactly one of ratio, first, or from and to"
	window := z.From.Mark.written() || z.To.Mark.written()
	switch forms := count(z.Ratio.Mark.written(), z.First.Mark.written(), window); {
	case forms == 0 && !c.misread[path]:
		c.report(z.Mark, path, "a zero without a value or a window", want)
	case forms > 1:
		c.report(z.Mark, path, fmt.Sprintf("a zero in %d forms", forms), want)
	case window && !z.To.Mark.written():
		c.report(z.From.Mark, path+".from", "the beginning of a window without its end", "to: as well, "+timeExample)
	case window && !z.From.Mark.written():
		c.report(z.To.Mark, path+".to", "the end of a window without its beginning", "from: as well, "+timeExample)
	case z.From.Given && z.To.Given && !z.To.After(z.From.Time):
		c.report(z.To.Mark, path+".to", "an end that is not after the beginning", "a time after "+z.From.UTC().Format(time.RFC3339))
	}
}

// misread lists the paths of problems and all the paths above them. What seems
// absent there may only be misspelt.
func misread(problems Problems) map[string]bool {
	paths := map[string]bool{}
	for _, p := range problems {
		for path := p.Path; path != "" && !paths[path]; {
			paths[path] = true
			path = path[:max(strings.LastIndexByte(path, '.'), 0)]
		}
	}
	return paths
}

func (c *checker) checkLimits(l Limits, path string) {
	if l.TemperatureLow.Given && l.TemperatureHigh.Given && l.TemperatureLow.Value >= l.TemperatureHigh.Value {
		c.report(l.TemperatureHigh.Mark, path+".temperature-high", quote(l.TemperatureHigh.Text)+", not above temperature-low", "a temperature above "+l.TemperatureLow.Text)
	}
}

func (c *checker) checkSources() {
	for i := range c.Sources.Entries {
		e := &c.Sources.Entries[i]
		s, path := &e.Value, "sources."+e.Name
		if strings.ContainsFunc(e.Name, func(r rune) bool {
			return !(r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || r == '-' || r == '_')
		}) {
			c.report(e.Mark, path, "the source name "+quote(e.Name), "letters, digits, - and _; it becomes the name of files")
		}
		noScale := s.Unit.Text == "count" && !s.Scale.Mark.written()
		if noScale {
			c.report(s.Unit.Mark, path+".unit", "counts without a scale", `"scale: 0.4 nV/V per count" as well`)
		}
		c.checkLogger(s, s.Unit, path)
		c.checkRange(s.Range, s.Unit, s.Scale, path)
		if s.CSV.Zone.Text != "" {
			if _, err := loadZone(s.CSV.Zone.Text); err != nil {
				c.report(s.CSV.Zone.Mark, path+".csv.zone", quote(s.CSV.Zone.Text), "an IANA time zone, for example UTC or Europe/London")
			}
		}
		if s.CSV.Delimiter.Text == "comma" && s.CSV.Decimal.Text == "comma" {
			c.report(s.CSV.Decimal.Mark, path+".csv.decimal", "a decimal comma in a file delimited by commas", "point, or another delimiter")
		}
		for j := range s.Inputs.Entries {
			in, path := &s.Inputs.Entries[j].Value, path+".inputs."+s.Inputs.Entries[j].Name
			if in.Unit.Text == "count" && !in.Scale.Mark.written() && !s.Scale.Mark.written() && !noScale {
				c.report(in.Unit.Mark, path+".unit", "counts without a scale", `"scale: 0.4 nV/V per count" as well`)
			}
			if s.Unit.Text != "microstrain" {
				c.checkLogger(s, in.Unit, path)
			}
			unit, scale := in.Unit, in.Scale
			if !unit.Mark.written() {
				unit = s.Unit
			}
			if !scale.Mark.written() {
				scale = s.Scale
			}
			c.checkRange(in.Range, unit, scale, path)
		}
	}
}

func (c *checker) checkLogger(s *Source, unit Word, path string) {
	if unit.Text == "microstrain" && !s.Logger.GaugeFactor.Mark.written() {
		c.report(unit.Mark, path+".unit", "microstrain without the logger's gauge factor", `"logger: {gauge-factor: 2.0}" as well; strain is turned back into a ratio first`)
	}
}

// checkRange holds a range to the unit of the readings that it bounds.
func (c *checker) checkRange(r Quantity, unit Word, scale Quantity, path string) {
	if !r.Given || unit.Text == "" {
		return
	}
	fits := map[string][]string{
		"V/V": {"V/V"}, "mV/V": {"V/V"}, "V": {"V"}, "mV": {"V"}, "count": {"count"},
	}[unit.Text]
	if unit.Text == "count" && scale.Given {
		fits = append(fits, scale.Unit)
	}
	switch {
	case fits == nil:
		c.report(r.Mark, path+".range", fmt.Sprintf("the range %s of readings in %s", quote(r.Text), unit.Text), "no range; only ratios, voltages and counts have one")
	case !slices.Contains(fits, r.Unit):
		c.report(r.Mark, path+".range", fmt.Sprintf("the range %s of readings in %s", quote(r.Text), unit.Text), "a range in "+strings.Join(fits, " or ")+", "+example(alternatives(strings.Join(fits, " or "))))
	}
}

func (c *checker) checkLots() {
	for i := range c.Lots.Entries {
		o := &c.Lots.Entries[i].Value.ThermalOutput
		path := "lots." + c.Lots.Entries[i].Name + ".thermal-output"
		if m, listed := c.lists[path+".coefficients"]; listed && o.Coefficients != nil && len(o.Coefficients) == 0 {
			c.report(m, path+".coefficients", "an empty list", "the coefficients in ascending powers, for example [-31.8, 2.77, -0.0655]")
		}
		if o.From.Given && o.To.Given && o.From.Value >= o.To.Value {
			c.report(o.To.Mark, path+".to", quote(o.To.Text)+", not above from", "a temperature above "+o.From.Text)
		}
	}
}

func (c *checker) checkInstallations() {
	for i := range c.Installations.Entries {
		e := &c.Installations.Entries[i]
		path := "installations." + e.Name
		c.refer(e.Value.Surface, path+".surface", "material", materialNames{c.Test})
		a := e.Value.Adhesive
		for _, high := range []struct {
			key string
			q   Quantity
		}{{"highest", a.Highest}, {"highest-long-term", a.HighestLong}} {
			if a.Lowest.Given && high.q.Given && a.Lowest.Value >= high.q.Value {
				c.report(high.q.Mark, path+".adhesive."+high.key, quote(high.q.Text)+", not above lowest", "a temperature above "+a.Lowest.Text)
			}
		}
	}
}

// materialNames are the file's materials and the built-in ones.
type materialNames struct{ t *Test }

func (m materialNames) has(name string) bool { _, ok := m.t.Material(name); return ok }
func (m materialNames) complete() bool       { return m.t.Materials.complete() }
func (m materialNames) first() []string      { return append(m.t.Materials.first(), Library().Names()...) }

func (c *checker) checkGauges() {
	for i := range c.Gauges.Entries {
		e := &c.Gauges.Entries[i]
		c.refer(e.Value.Lot, "gauges."+e.Name+".lot", "lot", c.Lots)
		c.refer(e.Value.Installation, "gauges."+e.Name+".installation", "installation", c.Installations)
	}
}

// checkInput resolves "source/input" and returns its parts; ok when the source
// exists.
func (c *checker) checkInput(w Word, path string) (source *Source, ok bool) {
	if w.Text == "" {
		return nil, false
	}
	name, input := SplitInput(w.Text)
	if name == "" || input == "" {
		c.report(w.Mark, path, quote(w.Text), `source/input, for example "deck/A1"`)
		return nil, false
	}
	s, ok := c.Sources.Get(name)
	if !ok && c.Sources.complete() {
		c.report(w.Mark, path, "the source "+quote(name)+", which is not defined", c.suggest(name, c.Sources))
	}
	return s, ok
}

// SplitInput splits "source/input"; both are empty when it is not of that form.
func SplitInput(s string) (source, input string) {
	source, input, ok := strings.Cut(s, "/")
	if !ok || source == "" || input == "" {
		return "", ""
	}
	return source, input
}

// unitOf is the unit of an input's readings, "" when neither it nor its source
// states one.
func unitOf(s *Source, input string) Word {
	if in, ok := s.Inputs.Get(input); ok && in.Unit.Mark.written() {
		return in.Unit
	}
	return s.Unit
}

func (c *checker) checkPositions() {
	unreadable := c.wiringUnread || slices.ContainsFunc(c.Wiring, func(w Wire) bool { return w.Position.Text == "" })
	if _, listed := c.lists["wiring"]; listed && c.Wiring == nil {
		unreadable = true
	}
	wired, unknown := map[string]bool{}, 0
	positions := c.Positions.first()
	for _, w := range c.Wiring {
		wired[w.Position.Text] = true
		if !c.Positions.has(w.Position.Text) && unknown < mostSuggestions { // reported; the position that was meant is wired
			unknown++
			wired[nearest(w.Position.Text, positions)] = true
		}
	}
	for i := range c.Positions.Entries {
		e := &c.Positions.Entries[i]
		c.refer(e.Value.Material, "positions."+e.Name+".material", "material", materialNames{c.Test})
		if !wired[e.Name] && !unreadable {
			c.report(e.Mark, "positions."+e.Name, "a position that the wiring never names", "an entry under wiring: with its gauge and input")
		}
	}
}

func (c *checker) checkWiring() {
	var timed []int // entries whose times could be read
	for i := range c.Wiring {
		w, path := &c.Wiring[i], fmt.Sprintf("wiring.%d", i+1)
		c.refer(w.Position, path+".position", "position", c.Positions)
		c.refer(w.Gauge, path+".gauge", "gauge", c.Gauges)
		if s, ok := c.checkInput(w.Input, path+".input"); ok {
			c.checkStrainInput(w, s, path)
		}
		c.checkLeads(w.Leads, path+".leads")
		c.gaugesAt[w.Position.Text] = append(c.gaugesAt[w.Position.Text], w.Gauge.Text)
		if w.From.Mark.written() != w.From.Given || w.To.Mark.written() != w.To.Given {
			continue
		}
		if w.From.Given && w.To.Given && !w.To.After(w.From.Time) {
			c.report(w.To.Mark, path+".to", "an end that is not after the beginning", "a time after "+w.From.UTC().Format(time.RFC3339))
			continue
		}
		timed = append(timed, i)
	}
	sort.SliceStable(timed, func(a, b int) bool {
		return begins(c.Wiring[timed[a]]).Before(begins(c.Wiring[timed[b]]))
	})
	for _, i := range timed {
		w := c.Wiring[i]
		source, _ := SplitInput(w.Input.Text)
		if list := c.sources[w.Position.Text]; source != "" && c.Sources.has(source) && !slices.Contains(list, source) {
			c.sources[w.Position.Text] = append(list, source)
		}
	}
	told := map[int]bool{}
	c.checkOverlap(timed, told, "position", "one gauge and input at a time", func(w Wire) Word { return w.Position })
	c.checkOverlap(timed, told, "input", "another input, or from: and to: that do not overlap", func(w Wire) Word { return w.Input })
	c.checkOverlap(timed, told, "gauge", "another gauge, or from: and to: that do not overlap", func(w Wire) Word { return w.Gauge })
}

// checkOverlap reports entries, sorted by their beginning, that claim the same
// thing at the same time: at the one that stands later in the file.
func (c *checker) checkOverlap(timed []int, told map[int]bool, key, want string, of func(Wire) Word) {
	last := map[string]int{} // entry that holds the thing longest
	for _, i := range timed {
		w := c.Wiring[i]
		name := of(w).Text
		if name == "" {
			continue
		}
		j, held := last[name]
		if held && begins(w).Before(ends(c.Wiring[j])) {
			if later := max(i, j); !told[i] && !told[j] {
				told[later] = true
				c.report(of(c.Wiring[later]).Mark, fmt.Sprintf("wiring.%d.%s", later+1, key),
					fmt.Sprintf("the %s %s, which entry %d holds at the same time", key, quote(name), min(i, j)+1), want)
			}
		}
		if !held || ends(w).After(ends(c.Wiring[j])) {
			last[name] = i
		}
	}
}

var endOfTime = time.Date(9999, 12, 31, 0, 0, 0, 0, time.UTC)

func begins(w Wire) time.Time { return w.From.Time } // the zero time when absent

func ends(w Wire) time.Time {
	if w.To.Given {
		return w.To.Time
	}
	return endOfTime
}

// checkStrainInput holds an input that a gauge is wired to to the units that a
// bridge ratio can be had from.
func (c *checker) checkStrainInput(w *Wire, s *Source, path string) {
	name, input := SplitInput(w.Input.Text)
	unit := unitOf(s, input)
	scale := s.Scale
	if in, ok := s.Inputs.Get(input); ok && in.Scale.Given {
		scale = in.Scale
	}
	switch unit.Text {
	case "", "V/V", "mV/V", "microstrain":
		return
	case "count":
		if !scale.Given || scale.Unit != "V" {
			return
		}
	case "V", "mV":
	default:
		c.report(w.Input.Mark, path+".input", "an input whose readings are in "+unit.Text, "an input in V/V, mV/V, V, mV, count or microstrain")
		return
	}
	if !s.Excitation.Mark.written() && !s.ExcitationIn.Mark.written() {
		c.once(unit.Mark, "sources."+name+".unit", "gauges read in volts without an excitation", `"excitation: 5 V" or an excitation-input as well`)
	}
}

// checkLeads holds leads to one way of stating their resistance.
func (c *checker) checkLeads(l Leads, path string) {
	if !l.Given {
		return
	}
	bySize := l.Size.Mark.written() || l.Length.Mark.written()
	switch {
	case l.Resistance.Mark.written() && bySize:
		c.report(l.Mark, path, "both a resistance and a size or length", "either resistance, or size and length")
	case l.Size.Mark.written() && !l.Length.Mark.written():
		c.report(l.Size.Mark, path+".size", "a size without a length", `"length: 30 m" as well`)
	case l.Length.Mark.written() && !l.Size.Mark.written():
		c.report(l.Length.Mark, path+".length", "a length without a size", `"size: 0.14 mm2" or "size: AWG 26" as well`)
	case !l.Resistance.Mark.written() && !bySize && !c.misread[path]:
		c.report(l.Mark, path, "leads without a resistance", "either resistance, or size and length")
	}
	c.refer(l.Temperature, path+".temperature", "temperature", c.Temperatures)
}

func (c *checker) checkTemperatures() {
	inCycle := map[string]bool{}
	for i := range c.Temperatures.Entries {
		e := &c.Temperatures.Entries[i]
		t, path := &e.Value, "temperatures."+e.Name
		s, ok := c.checkInput(t.Input, path+".input")
		if ok {
			c.checkSensor(t, s, path)
		}
		if t.Sensor.Mark.written() && t.Sensor.Text == "" {
			continue // unreadable
		}
		if t.Sensor.Text != "thermocouple" {
			for _, w := range []struct {
				key string
				m   Mark
			}{{"type", t.Type.Mark}, {"cold-junction", t.ColdJunction.Mark}, {"cold-junction-fixed", t.ColdFixed.Mark}} {
				if w.m.written() {
					c.report(w.m, path+"."+w.key, fmt.Sprintf("%s of a sensor that is %s", w.key, t.Sensor.Or("degC")), `"sensor: thermocouple", or leave it out`)
				}
			}
		} else if !t.Type.Mark.written() {
			c.report(t.Sensor.Mark, path+".sensor", "a thermocouple without a type", `"type: K" as well (one of K, T, J, N, E)`)
		}
		if t.Sensor.Text != "pt100" && t.R0.Mark.written() {
			c.report(t.R0.Mark, path+".r0", "r0 of a sensor that is "+t.Sensor.Or("degC"), `"sensor: pt100", or leave it out`)
		}
		if t.Sensor.Text != "thermocouple" {
			continue
		}
		if t.ColdJunction.Mark.written() && t.ColdFixed.Mark.written() {
			c.report(t.ColdFixed.Mark, path+".cold-junction-fixed", "a fixed cold junction beside a measured one", "one of cold-junction and cold-junction-fixed")
		}
		if c.refer(t.ColdJunction, path+".cold-junction", "temperature", c.Temperatures) {
			if !inCycle[e.Name] && c.coldJunctionCycle(e.Name, inCycle) {
				c.report(t.ColdJunction.Mark, path+".cold-junction", "a cold junction that depends on this thermocouple itself", "a temperature that needs none")
			} else if cold, _ := c.Temperatures.Get(t.ColdJunction.Text); !inCycle[e.Name] {
				c.checkGroup(t.ColdJunction, path+".cold-junction", c.groupOf(t.Input.Text), c.groupOf(cold.Input.Text))
			}
		}
	}
}

func (c *checker) coldJunctionCycle(name string, inCycle map[string]bool) bool {
	var chain []string
	for at := name; !slices.Contains(chain, at); {
		chain = append(chain, at)
		t, ok := c.Temperatures.Get(at)
		if !ok || t.Sensor.Text != "thermocouple" || t.ColdJunction.Text == "" {
			return false
		}
		if at = t.ColdJunction.Text; at == name {
			for _, n := range chain {
				inCycle[n] = true
			}
			return true
		}
	}
	return false // runs into a cycle that it is no part of
}

// checkSensor holds a temperature sensor to the unit of its input.
func (c *checker) checkSensor(t *Temperature, s *Source, path string) {
	_, input := SplitInput(t.Input.Text)
	unit := unitOf(s, input).Text
	if unit == "" || unit == "count" || t.Sensor.Mark.written() && t.Sensor.Text == "" {
		return
	}
	fits := map[string][]string{"degC": {"degC"}, "thermocouple": {"mV", "V"}, "pt100": {"ohm"}}[t.Sensor.Or("degC")]
	if !slices.Contains(fits, unit) {
		c.report(markOr(t.Sensor.Mark, t.Input.Mark), path+map[bool]string{true: ".sensor", false: ".input"}[t.Sensor.Mark.written()],
			fmt.Sprintf("the sensor %s on an input in %s", t.Sensor.Or("degC"), unit), "an input in "+strings.Join(fits, " or ")+", or the sensor that it has")
	}
}

// groupOf is the group of an input's source, "" when it is unknown.
func (c *checker) groupOf(input string) string {
	source, _ := SplitInput(input)
	s, ok := c.Sources.Get(source)
	if !ok || s.Group.Mark.written() && s.Group.Text == "" {
		return ""
	}
	return s.Group.Or("main")
}

func (c *checker) checkGroup(w Word, path, own, other string) bool {
	if own == "" || other == "" || own == other {
		return true
	}
	c.report(w.Mark, path, fmt.Sprintf("%s of the group %s, needed in the group %s", quote(w.Text), quote(other), quote(own)), "a temperature of the same group, or the same group: for both sources")
	return false
}

func (c *checker) checkAuxiliary() {
	for i := range c.Auxiliary.Entries {
		e := &c.Auxiliary.Entries[i]
		a, path := &e.Value, "auxiliary."+e.Name
		s, ok := c.checkInput(a.Input, path+".input")
		points, hasPoints := c.lists[path+".points"]
		polynomial, hasPolynomial := c.lists[path+".polynomial"]
		hasSensitivity := a.Sensitivity.Mark.written()
		const want = "exactly one of points, polynomial, or sensitivity with capacity"
		switch forms := count(hasPoints, hasPolynomial, hasSensitivity); {
		case forms == 0 && a.Capacity.Mark.written():
			c.report(a.Capacity.Mark, path+".capacity", "a capacity without a sensitivity", `"sensitivity: 2 mV/V" as well`)
		case forms == 0:
			c.report(e.Mark, path, "no calibration", want)
		case forms > 1:
			c.report(e.Mark, path, fmt.Sprintf("%d calibrations", forms), want)
		case hasSensitivity && !a.Capacity.Mark.written():
			c.report(a.Sensitivity.Mark, path+".sensitivity", "a sensitivity without a capacity", `"capacity: 50" as well, in the result's unit`)
		case !hasSensitivity && a.Capacity.Mark.written():
			c.report(a.Capacity.Mark, path+".capacity", "a capacity without a sensitivity", want)
		}
		if a.ZeroReading.Mark.written() && !hasSensitivity {
			c.report(a.ZeroReading.Mark, path+".zero-reading", "a zero reading without a sensitivity", "it only beside sensitivity and capacity")
		}
		if hasPolynomial && a.Polynomial != nil && len(a.Polynomial) == 0 {
			c.report(polynomial, path+".polynomial", "an empty list", "the coefficients in ascending powers")
		}
		if hasPoints && a.Points != nil {
			if len(a.Points) != 2 {
				c.report(points, path+".points", fmt.Sprintf("a list of %d", len(a.Points)), "exactly two points, or a polynomial")
			} else if p, q := a.Points[0].Raw, a.Points[1].Raw; p.Given && q.Given && p.Value == q.Value {
				c.report(q.Mark, path+".points.2.raw", "the raw reading of the first point again", "two different raw readings")
			}
		}
		if ok && a.Sensitivity.Given {
			_, input := SplitInput(a.Input.Text)
			switch unit := unitOf(s, input).Text; unit {
			case "", "V/V", "mV/V", "V", "mV", "count":
			default:
				c.report(a.Sensitivity.Mark, path+".sensitivity", "a sensitivity in mV/V on an input in "+unit, "points or a polynomial")
			}
		}
	}
}

func (c *checker) checkRosettes() {
	for i := range c.Rosettes.Entries {
		e := &c.Rosettes.Entries[i]
		r, path := &e.Value, "rosettes."+e.Name
		grids := c.lists[path+".grids"]
		angles, hasAngles := c.lists[path+".angles"]
		c.checkGridCount(r, path, grids)
		switch {
		case r.Form.Text == "angles" && !hasAngles:
			c.report(r.Form.Mark, path+".form", "the form angles without angles", `"angles: [0 deg, 45 deg, 90 deg]" as well`)
		case r.Form.Text != "angles" && r.Form.Text != "" && hasAngles:
			c.report(angles, path+".angles", "angles of a rosette of the form "+r.Form.Text, `"form: angles", or leave them out`)
		case hasAngles && r.Angles != nil && r.Grids != nil && len(r.Angles) != len(r.Grids):
			c.report(angles, path+".angles", fmt.Sprintf("%d angles for %d grids", len(r.Angles), len(r.Grids)), "one angle a grid")
		case hasAngles && r.Form.Text == "angles" && len(r.Angles) >= 3 && singular(r.Angles):
			c.report(angles, path+".angles", "fewer than three directions", "at least three that differ, those 180 deg apart being the same")
		}
		c.checkGrids(r, path)
	}
}

func (c *checker) checkGridCount(r *Rosette, path string, at Mark) {
	if r.Grids == nil || r.Form.Text == "" {
		return
	}
	want := map[string]int{"rectangular": 3, "delta": 3, "tee": 2}[r.Form.Text]
	switch {
	case want > 0 && len(r.Grids) != want:
		c.report(at, path+".grids", fmt.Sprintf("%d grids of a rosette of the form %s", len(r.Grids), r.Form.Text), fmt.Sprintf("%d channels, grid a first", want))
	case want == 0 && len(r.Grids) < 3:
		c.report(at, path+".grids", fmt.Sprintf("%d grids of a rosette of the form angles", len(r.Grids)), "at least three channels, or the form tee")
	}
}

// singular says whether plane strain cannot be had from grids at these angles.
// In the double angle the rows are (1, cos, sin): three points of a circle, which
// are never on a line, so that three different ones suffice. Directions closer
// than a degree count as one.
func singular(angles []Quantity) bool {
	const degree = math.Pi / 180
	var different []float64
	for _, q := range angles {
		if !q.Given {
			return false // reported already
		}
		if !slices.ContainsFunc(different, func(d float64) bool { return math.Abs(math.Remainder(q.Value-d, math.Pi)) < degree }) {
			different = append(different, q.Value)
		}
	}
	return len(different) < 3
}

// checkGrids holds a rosette's channels to what its matrix needs: indicated
// strain of quarter bridges, on one material, sampled by one clock.
func (c *checker) checkGrids(r *Rosette, path string) {
	var first *Channel
	var firstName string
	for i, w := range r.Grids {
		path := fmt.Sprintf("%s.grids.%d", path, i+1)
		if !c.refer(w, path, "channel", c.Channels) {
			continue
		}
		if slices.ContainsFunc(r.Grids[:i], func(o Word) bool { return o.Text == w.Text }) {
			c.report(w.Mark, path, "the channel "+quote(w.Text)+" again", "each grid once")
			continue
		}
		ch, _ := c.Channels.Get(w.Text)
		if b := ch.Bridge.Text; b != "" && !strings.HasPrefix(b, "quarter_") {
			c.once(ch.Bridge.Mark, "channels."+w.Text+".bridge", b+" of a grid of a rosette", "quarter_2wire or quarter_3wire")
		}
		switch {
		case !ch.Transverse.Mark.written():
			ch.Transverse.Text = "none" // the rosette's own matrix corrects it
		case ch.Transverse.Text != "none" && ch.Transverse.Text != "":
			c.once(ch.Transverse.Mark, "channels."+w.Text+".transverse", quote(ch.Transverse.Text)+" of a grid of a rosette", "none, or leave it out: the rosette corrects transverse sensitivity itself")
		}
		if first == nil {
			first, firstName = ch, w.Text
			continue
		}
		own, other := c.sources[ch.Position.Or(w.Text)], c.sources[first.Position.Or(firstName)]
		if len(own) > 0 && len(other) > 0 && !slices.Equal(own, other) {
			c.report(w.Mark, path, fmt.Sprintf("a grid on %s, where grid a is on %s", strings.Join(own, ", "), strings.Join(other, ", ")), "grids of one source")
			continue
		}
		p, ok := c.Positions.Get(ch.Position.Or(w.Text))
		q, ok2 := c.Positions.Get(first.Position.Or(firstName))
		if ok && ok2 && p.Material.Text != q.Material.Text && c.known(p.Material.Text) && c.known(q.Material.Text) {
			c.report(w.Mark, path, fmt.Sprintf("a grid on %s, where grid a is on %s", p.Material.Text, q.Material.Text), "grids on one material")
		}
	}
}

func (c *checker) known(material string) bool { _, ok := c.Material(material); return ok }

func (c *checker) checkPredictions() {
	first := map[[2]string]int{}
	for i, p := range c.Predictions {
		path := fmt.Sprintf("predictions.%d", i+1)
		if !c.refer(p.Channel, path+".channel", "channel", c.Channels) || p.Step.Text == "" {
			continue
		}
		key := [2]string{p.Step.Text, p.Channel.Text}
		if n := first[key]; n > 0 {
			c.report(p.Channel.Mark, path+".channel", fmt.Sprintf("the channel %s again at the step %s, first in entry %d", quote(p.Channel.Text), quote(p.Step.Text), n), "one prediction a channel and step")
			continue
		}
		first[key] = i + 1
	}
}

// checkNames holds everything that becomes a column to a name of its own.
func (c *checker) checkNames() {
	type use struct {
		name, section string
		at            Mark
	}
	var uses []use
	for _, e := range c.Channels.Entries {
		uses = append(uses, use{e.Name, "channels", e.Mark})
	}
	for _, e := range c.Temperatures.Entries {
		uses = append(uses, use{e.Name, "temperatures", e.Mark})
	}
	for _, e := range c.Auxiliary.Entries {
		uses = append(uses, use{e.Name, "auxiliary", e.Mark})
	}
	for _, e := range c.Rosettes.Entries {
		uses = append(uses, use{e.Name, "rosettes", e.Mark})
	}
	first := map[string]use{}
	for _, u := range uses {
		if f, ok := first[u.name]; ok {
			c.report(u.at, u.section+"."+u.name, fmt.Sprintf("the name %s, which %s has in line %d", quote(u.name), f.section, f.at.Line), "another name: each becomes a column")
			continue
		}
		first[u.name] = u
	}
}

func count(forms ...bool) int {
	n := 0
	for _, f := range forms {
		if f {
			n++
		}
	}
	return n
}
