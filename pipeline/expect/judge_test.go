package expect

import (
	"strings"
	"testing"
)

// said are the findings of a report, one a line: kind, name, word, text, source.
func said(r *Report) string {
	var b strings.Builder
	for _, s := range r.Subjects {
		for _, f := range s.Findings {
			b.WriteString(s.Kind + " " + s.Name + " " + f.Word.String() + ": " + f.Text)
			if f.Source != "" {
				b.WriteString(" (" + f.Source + ")")
			}
			b.WriteByte('\n')
		}
	}
	return b.String()
}

func TestNothingToSay(t *testing.T) {
	if got := said(expected(t)); got != "" {
		t.Errorf("a sound bench, but:\n%s", got)
	}
}

// Each alteration of the sound bench is found, by the words given and nothing else.
func TestFindings(t *testing.T) {
	const channel = "bridge: quarter_3wire, temperature: steel, leads: {resistance: 0 ohm}"
	tests := []struct {
		name    string
		replace []string
		want    []string // every line holds one of them, in order
	}{
		{"missed ten minutes on copper", []string{"family: steel", "family: copper-alloy", "08:05:00Z", "08:14:00Z"},
			[]string{"channel one broken: on copper and its alloys the gauge is in its adhesive and under pressure within ten minutes of the last preparation step: bonded 14 min after the last preparation step, 4 min too late; its samples are flagged installation-rule (common practice, no source)"}},
		{"service beyond the adhesive", []string{"class: epoxy-hot", "class: cyanoacrylate, highest: 35 degC, lowest: 15 degC"},
			[]string{"channel one caution: the test expects up to 40 degC, but the adhesive may be believed to 35 degC",
				"channel one caution: the test expects down to 10 degC, but the adhesive may be believed to 15 degC"}},
		{"no record", []string{"{lot: lot, installation: record}", "{lot: lot}"},
			[]string{"channel one missing: a gauge has an installation record: there is none (common practice, no source)"}},
		{"unsigned", []string{"    signed: A. Nobody\n", ""},
			[]string{"channel one missing: somebody signs for an installation: nobody has signed (common practice, no source)"}},
		{"wired before the cure ended", []string{"input: node/1}", "input: node/1, from: 2026-04-20T09:00:00Z}", "name: bench", "name: bench\n  zone: Europe/Paris"},
			[]string{"channel one caution: wired from 2026-04-20 11:00 CEST on, before its cure ended at 2026-04-20 12:00 CEST"}},
		{"no limit", []string{"strain: 1000 um/m, ", ""}, []string{"channel one missing: no limits.strain"}},
		{"limit beyond the gauge", []string{"gauge-factor: 2\n", "gauge-factor: 2\n    elongation: 0.05 %\n"},
			[]string{"channel one caution: the limit of 1000 um/m is beyond the gauge's elongation of 500 um/m"}},
		{"limit beyond yield", []string{"yield: 300 MPa", "yield: 150 MPa"}, // 150 MPa over 200 GPa
			[]string{"channel one note: yield begins at 750 um/m, below the limit of 1000 um/m"}},
		{"instrument too small", []string{"unit: mV/V, clock", "unit: mV/V, range: 0.4 mV/V, clock"}, // 0.4995 mV/V by quarter-nonlin-1000
			[]string{"channel one caution: readings of up to 0.4995 mV/V before any unbalance do not fit the instrument's range of 0.4 mV/V"}},
		{"instrument in volts too small", []string{"unit: mV/V, clock", "unit: mV, range: 2 mV, clock"}, // 2 mV over 5 V
			[]string{"channel one caution: readings of up to 0.4995 mV/V before any unbalance do not fit the instrument's range of 0.4 mV/V"}},
		{"unit left to the raw file", []string{"unit: mV/V, clock", "clock"}, []string{"channel one note: input 1 has no unit"}},
		{"no leads", []string{channel, "bridge: quarter_3wire, temperature: steel"}, []string{"channel one missing: no leads are stated"}},
		{"four wires without leads", []string{channel, "bridge: full_bending, temperature: steel"},
			[]string{"channel one missing: neither remote-sense nor excitation-leads"}},
		{"six wires", []string{channel, "bridge: full_bending, temperature: steel, remote-sense: yes"}, nil},
		{"long leads", []string{"leads: {resistance: 0 ohm}", "leads: {resistance: 10 ohm}"}, // 10/360
			[]string{"channel one note: the leads take 2.78 % of the signal, which is corrected", "channel one note: the leads are taken to be as warm as the gauge (steel)"}},
		{"leads with a temperature of their own", []string{"leads: {resistance: 0 ohm}", "leads: {resistance: 1 ohm, temperature: steel}"}, nil},
		{"gauge factor of another kind", []string{"gauge-factor: 2\n", "gauge-factor: 20.8\n"},
			[]string{"channel one caution: a gauge factor of 20.8: 1.5 to 6 is usual on metal grids"}},
		{"resistance in the wrong unit", []string{"resistance: 350 ohm", "resistance: 350 kohm"},
			[]string{"channel one caution: a gauge of 350000 ohm: 50 to 10000 ohm is usual; look at the unit (common practice, no source)"}},
		{"resistance of the piece", []string{"{lot: lot, inst", "{lot: lot, resistance: 35 ohm, inst"}, []string{"channel one caution: a gauge of 35 ohm", "channel one caution: readings of up to 409.3 mV/V"}},
		{"shunt in the wrong unit", []string{"temperature: steel, ", "temperature: steel, shunt: {location: gauge, resistor: 174.65 ohm}, "},
			[]string{"channel one caution: a shunt of 174.65 ohm across a gauge of 350 ohm: look at the unit"}},
		{"thermal output in strain", []string{"in: microstrain", "in: strain"},
			[]string{"channel one caution: thermal output beyond any strain over the temperatures to expect: look at the coefficients"}},
		{"thermal output of another power", []string{"[-40, 2]", "[-40, 400]"}, // 20 K from the zero
			[]string{"channel one caution: thermal output of up to 8000 um/m over the temperatures to expect"}},
		{"transverse sensitivity in per cent", []string{"transverse-sensitivity: 0 %", "transverse-sensitivity: 0.2"},
			[]string{"channel one caution: a transverse sensitivity of 20 %"}},
		{"transverse sensitivity of the piece", []string{"{lot: lot, inst", "{lot: lot, transverse-sensitivity: -11 %, inst"},
			[]string{"channel one caution: a transverse sensitivity of -11 %"}},
		{"no transverse sensitivity", []string{"    transverse-sensitivity: 0 %\n", ""},
			[]string{"channel one missing: the lot states no transverse sensitivity: it is taken to be 0"}},
		{"no transverse sensitivity, and none wanted", []string{"    transverse-sensitivity: 0 %\n", "", "temperature: steel, ", "temperature: steel, transverse: none, "}, nil},
		{"modulus in the wrong unit", []string{"young: 200 GPa", "young: 200 MPa", "yield: 300 MPa", "yield: 0.3 MPa"},
			[]string{"material plate caution: a modulus of 0.2 GPa: 1 to 1000 GPa is usual"}},
		{"expansion without its power", []string{"poisson: 0.285, expansion: 12e-6 /K", "poisson: 0.285, expansion: 12e-4 /K", "material-expansion: 12e-6 /K", "material-expansion: 12e-4 /K"},
			[]string{"material plate caution: an expansion of 1200 um/m/K: 0 to 100 um/m/K is usual"}},
		{"two wires", []string{channel, "bridge: quarter_2wire, temperature: steel, leads: {resistance: 1 ohm}"},
			[]string{"channel one note: two wires in one arm read 1.425 mV/V at rest and +11.2 um/m for each degC that they warm, corrected as if they were as warm as the gauge (steel)"}},
		{"shunt that sets the span", []string{"temperature: steel, ", "temperature: steel, shunt: {location: gauge, resistor: 174.65 kohm, before: 0 mV/V, with: -0.5 mV/V}, "},
			[]string{"channel one note: the shunt reading of the file, -0.5 mV/V where -0.5005 was due, sets the span to 1.001"}},
		{"shunt of the wrong sign", []string{"temperature: steel, ", "temperature: steel, shunt: {location: gauge, resistor: 174.65 kohm, before: 0 mV/V, with: 0.5 mV/V}, "},
			[]string{"channel one caution: the shunt reading of the file, 0.5 mV/V where -0.5005 was due, sets the span to -1.001: the sign says"}},
		{"shunt far from what is due", []string{"temperature: steel, ", "temperature: steel, shunt: {location: gauge, resistor: 174.65 kohm, before: 0 mV/V, with: -0.4 mV/V}, "},
			[]string{"channel one caution: the shunt reading of the file, -0.4 mV/V where -0.5005 was due, sets the span to 1.2513"}},
		{"no thermal output", []string{"    thermal-output: {in: microstrain, of: degC, coefficients: [-40, 2], material-expansion: 12e-6 /K}\n", ""},
			[]string{"channel one missing: the lot states no thermal output"}},
		{"zero outside the polynomial", []string{"12e-6 /K}\nmat", "12e-6 /K, from: 0 degC, to: 50 degC}\nmat", "name: bench", "name: bench\n  zero: {ratio: 0 mV/V, temperature: 60 degC}"},
			[]string{"channel one caution: the thermal-output polynomial was fitted from 0 to 50 degC; zero is 60 degC"}},
		{"bending without a temperature", []string{channel, "bridge: half_bending, leads: {resistance: 0.5 ohm}", "    thermal-output: {in: microstrain, of: degC, coefficients: [-40, 2], material-expansion: 12e-6 /K}\n", ""},
			[]string{"channel one note: no temperature: the bridge cancels thermal output"}},
		{"quarter without a temperature", []string{channel, "bridge: quarter_3wire, leads: {resistance: 0.5 ohm}",
			"    thermal-output: {in: microstrain, of: degC, coefficients: [-40, 2], material-expansion: 12e-6 /K}\n", ""},
			[]string{"channel one missing: the lot states no thermal output", "channel one missing: no temperature: neither thermal output"}},
		{"hot grid", []string{"grid-length: 5 mm", "grid-length: 0.5 mm"}, // 17.86 mW on 1 mm2
			[]string{"channel one caution: 17.9 mW/mm2 on the grid; 1.6 to 12.4 mW/mm2 is usual on metal (1 to 8 W/in2)"}},
		{"grid unknown", []string{"    grid-width: 2 mm\n", ""}, []string{"channel one missing: the lot states no grid length and width"}},
		{"excitation unknown", []string{", excitation: 5 V", ""}, []string{"source node missing: no nominal excitation"}},
		{"few samples a cycle", []string{"frequency: 1 Hz", "frequency: 3 Hz"}, // 1 - cos(3 pi/20)
			[]string{"channel one caution: peaks at limits.frequency can be 10.9 % low"}},
		{"too few samples a cycle", []string{"frequency: 1 Hz", "frequency: 10 Hz"},
			[]string{"channel one caution: limits.frequency is not below half the sample rate of 20 Hz"}},
		{"nothing stated for all", []string{", temperature-low: 10 degC, temperature-high: 40 degC, frequency: 1 Hz", "", "  load: jack\n", ""},
			[]string{"test bench missing: limits.temperature-low", "test bench missing: limits.frequency", "test bench missing: load"}},
		{"load on another clock", []string{"sources:\n", "sources:\n  press: {rate: 10 Hz, unit: V, excitation: 5 V, clock-tolerance: 30 ms}\n", "input: node/3", "input: press/3"}, // 2 sin(pi 0.04)
			[]string{"source node note: strain is on its own clock, the load jack on that of press: they may be 40 ms apart, where a sample takes 50 ms; at 1 Hz that is up to 25 % of the load's amplitude; the load is sampled at 10 Hz"}},
		{"load on a clock of unknown tolerance", []string{"sources:\n", "sources:\n  press: {rate: 20 Hz, unit: V, excitation: 5 V}\n", "input: node/3", "input: press/3"},
			[]string{"source node missing: strain is on its own clock, the load jack on that of press, and not both state a clock-tolerance"}},
		{"load in another group", []string{"sources:\n", "sources:\n  press: {rate: 20 Hz, group: far, unit: V, excitation: 5 V, clock-tolerance: 30 ms}\n", "input: node/3", "input: press/3"},
			[]string{"source node caution: strain is on its own clock, the load jack on that of press, in another group", "source node note: strain is on its own clock"}},
		{"load in the same group, named once", []string{"sources:\n", "sources:\n  press: {rate: 20 Hz, group: main, unit: V, excitation: 5 V, clock-tolerance: 30 ms}\n", "input: node/3", "input: press/3"},
			[]string{"source node note: strain is on its own clock"}},
		{"certificate expired", []string{"expires: 2027-01-01", "expires: 2026-06-01"}, // the very instant of today
			[]string{"auxiliary jack caution: its certificate C-1 expired at 2026-06-01 00:00 UTC"}},
		{"no certificate", []string{"    certificate: C-1\n    expires: 2027-01-01T00:00:00Z\n", ""}, []string{"auxiliary jack missing: no certificate"}},
		{"certificate without end", []string{"    expires: 2027-01-01T00:00:00Z\n", ""}, []string{"auxiliary jack missing: its certificate C-1 states no expiry"}},
		{"material of the library", []string{"one: {material: plate}", "one: {material: brass}", "poisson: 0.285, expansion: 12e-6 /K, yield: 300 MPa, family: steel", "expansion: 12e-6 /K"},
			[]string{"channel one note: yield begins at 693.1 um/m", // 70 MPa over 101 GPa
				"material brass note: young, poisson, expansion, yield from the built-in library; state the article's own figures where the stress matters (red brass C83400; Hibbeler, Mechanics of Materials, table of average properties, checked; yield from memory)"}},
		{"material in part of the library", []string{"plate", "brass", "yield: 300 MPa, family: steel, source: invented", "family: copper-alloy"},
			[]string{"channel one note: yield begins at 350 um/m", "material brass missing: the file does not say where its figures come from", "material brass note: yield from the built-in library"}},
		{"no yield", []string{"yield: 300 MPa, ", ""}, []string{"material plate missing: no yield strength"}},
		{"no modulus", []string{"young: 200 GPa, ", ""}, []string{"material plate note: no modulus: strain only"}},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			got := said(expected(t, test.replace...))
			lines := strings.Split(strings.TrimSuffix(got, "\n"), "\n")
			if got == "" {
				lines = nil
			}
			if len(lines) != len(test.want) {
				t.Fatalf("%d findings instead of %d:\n%s", len(lines), len(test.want), got)
			}
			for i, want := range test.want {
				if !strings.Contains(lines[i], want) {
					t.Errorf("finding %d:\n got %s\nwant %s", i+1, lines[i], want)
				}
			}
		})
	}
}
