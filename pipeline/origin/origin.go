// Package origin says where each constant of a channel came from: the line of the
// test file, the built-in materials, or a default of the program.
package origin

import (
	"fmt"
	"math"
	"path/filepath"
	"strconv"
	"strings"

	"glueline/compensate"
	"glueline/pipeline/channel"
	"glueline/pipeline/testfile"
)

// Constant is a constant with where it came from.
type Constant struct {
	Name  string `json:"name"`
	Value string `json:"value"` // as written, or in the base unit
	From  string `json:"from"`  // "hollin.yaml:12, lot A23"
}

// Of returns the constants of a channel as one wire serves it, in the order in
// which the reduction uses them; input and gauge are those of the wiring map,
// "source/input|gauge". What cannot be found is said in From.
func Of(t *testfile.Test, name, wired string, c *channel.Constants) []Constant {
	var out []Constant
	ch, ok := t.Channels.Get(name)
	input, gaugeName, _ := strings.Cut(wired, "|")
	gauge, ok2 := t.Gauges.Get(gaugeName)
	var wire *testfile.Wire
	for i := range t.Wiring {
		w := &t.Wiring[i]
		if ok && w.Input.Text == input && w.Gauge.Text == gaugeName && w.Position.Text == ch.Position.Or(name) {
			wire = w
		}
	}
	if !ok || !ok2 || wire == nil {
		return []Constant{{"all", "", fmt.Sprintf("the test file has no channel %s with gauge %s on %s", name, gaugeName, input)}}
	}
	lot, ok := t.Lots.Get(gauge.Lot.Text)
	if !ok {
		return []Constant{{"all", "", fmt.Sprintf("the test file has no lot %s", gauge.Lot.Text)}}
	}
	ofLot, ofGauge, ofChannel := "lot "+gauge.Lot.Text, "gauge "+gaugeName, "channel "+name
	word := func(what string, w testfile.Word, fallback, of string) {
		k := Constant{what, w.Or(fallback), place(w.Mark, of)}
		if w.Text == "" {
			k.From = "default"
		}
		out = append(out, k)
	}
	// first takes the first that is written; value is what the reduction has.
	type written struct {
		q  testfile.Quantity
		of string
	}
	first := func(what string, value float64, unit string, fallback string, all ...written) {
		for _, w := range all {
			if w.q.Given {
				out = append(out, Constant{what, w.q.Text, place(w.q.Mark, w.of)})
				return
			}
		}
		out = append(out, Constant{what, number(value, unit), fallback})
	}
	out = append(out, Constant{"wiring", input + ", gauge " + gaugeName, place(wire.Mark, "wiring map")})
	word("bridge", ch.Bridge, "", ofChannel)
	word("polarity", wire.Polarity, "normal", "wiring map")
	switch {
	case c.Shunt != nil && c.Shunt.Calibrates:
		out = append(out, Constant{"span", "from shunt readings", place(ch.Shunt.Mark, ofChannel)})
	default:
		first("span", c.Span, "", "default", written{ch.Span, ofChannel})
	}
	first("gauge resistance", c.Resistance, "ohm", "not stated", written{gauge.Resistance, ofGauge}, written{lot.Resistance, ofLot})
	first("completion resistors", c.Completion, "ohm", "not stated", written{ch.Completion, ofChannel}, written{lot.Resistance, ofLot + ", the gauge's nominal"})
	if !c.Layout.Full() {
		leads, of := ch.Leads, ofChannel
		if wire.Leads.Given {
			leads, of = wire.Leads, "wiring map"
		}
		out = append(out, ofLeads("lead wires", leads, of, c.Leads)...)
	} else if !ch.RemoteSense.Value {
		out = append(out, ofLeads("excitation wires", ch.Excitation, ofChannel, c.Excitation)...)
	} else {
		out = append(out, Constant{"excitation wires", "none: six wires", place(ch.RemoteSense.Mark, ofChannel)})
	}
	if o := lot.ThermalOutput; o.Given {
		var k []string
		for _, q := range o.Coefficients {
			k = append(k, q.Text)
		}
		out = append(out, Constant{"thermal output", strings.Join(k, ", ") + " (" + o.In.Or("microstrain") + " of " + o.Of.Or("degC") + ", ascending)", place(o.Mark, ofLot)})
		first("its gauge factor", c.Output.ReferenceGaugeFactor, "", "default, common practice, no source", written{o.ReferenceGaugeFactor, ofLot})
		first("its material's expansion", c.Output.MaterialExpansion, "1/K", "not stated: the specimen's own", written{o.MaterialExpansion, ofLot})
	} else {
		out = append(out, Constant{"thermal output", "none", "not stated by " + ofLot + ": none is removed"})
	}
	position, _ := t.Positions.Get(wire.Position.Text)
	if position != nil {
		m, _ := t.Material(position.Material.Text)
		of := "material " + position.Material.Text
		first("specimen's expansion", c.Expansion, "1/K", "not stated", written{m.Expansion, of})
		first("Young's modulus", c.Young, "Pa", "not stated: no stress", written{m.Young, of})
		first("Poisson's ratio", c.Poisson, "", "not stated", written{m.Poisson, of})
	}
	first("gauge factor", c.GaugeFactor.Value, "", "not stated", written{lot.GaugeFactor, ofLot})
	first("its temperature", c.GaugeFactor.Reference, "degC", "default, common practice, no source", written{lot.GaugeFactorTemperature, ofLot})
	first("its slope", c.GaugeFactor.Slope, "1/K", "not stated: no change is assumed", written{lot.GaugeFactorSlope, ofLot})
	first("transverse sensitivity", c.Transverse, "", "not stated: none is assumed", written{gauge.Kt, ofGauge}, written{lot.TransverseSensitivity, ofLot})
	first("Poisson's ratio of its beam", c.CalibrationPoisson, "", "default, common practice, no source", written{lot.CalibrationPoisson, ofLot})
	word("strain across the grid", ch.Transverse, "uniaxial", ofChannel)
	if c.Mode == channel.Ratio {
		first("transverse over axial", c.StrainRatio, "", "not stated", written{ch.StrainRatio, ofChannel})
	}
	return out
}

func ofLeads(what string, l testfile.Leads, of string, c channel.Leads) []Constant {
	value, from := "none", "not stated"
	switch {
	case l.Resistance.Given:
		value, from = l.Resistance.Text+" a wire at 20 degC", place(l.Resistance.Mark, of)
	case l.Size.Given:
		value = fmt.Sprintf("%s, %s: %s a wire at 20 degC", l.Size.Text, l.Length.Text, number(c.Ohm20, "ohm"))
		from = place(l.Size.Mark, of)
	}
	out := []Constant{{what, value, from}}
	if c.Ohm20 == 0 {
		return out
	}
	if l.Tempco.Given {
		return append(out, Constant{"their temperature coefficient", l.Tempco.Text, place(l.Tempco.Mark, of)})
	}
	return append(out, Constant{"their temperature coefficient", number(compensate.CopperTempco, "1/K"), "default, copper"})
}

func number(v float64, unit string) string {
	if math.IsNaN(v) {
		return "none"
	}
	return strings.TrimSpace(strconv.FormatFloat(v, 'g', 8, 64) + " " + unit)
}

// place is a line of a file, and whose entry it is.
func place(m testfile.Mark, of string) string {
	if m.File == "" {
		return of
	}
	return fmt.Sprintf("%s:%d, %s", filepath.Base(m.File), m.Line, of)
}
