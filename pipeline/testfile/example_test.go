package testfile_test

import (
	"fmt"

	"glueline/pipeline/testfile"
)

// The least that gives strain and stress: a source, a gauge package, a gauge, a
// position, the wire between them, and a channel.
const minimal = `
test: {name: bracket}
sources:
  node: {rate: 10 Hz, unit: mV/V}
lots:
  A1: {resistance: 350 ohm ± 0.3 %, gauge-factor: 2.08 ± 0.5 %}
gauges:
  G1: {lot: A1}
positions:
  web: {material: carbon-steel}
wiring:
  - {position: web, gauge: G1, input: node/1}
channels:
  web: {bridge: quarter_3wire, leads: {size: AWG 26, length: 10 m}}
`

func Example() {
	test, err := testfile.Parse("bracket.yaml", []byte(minimal), nil)
	if err != nil {
		fmt.Println(err)
		return
	}
	lot, _ := test.Lots.Get("A1")
	steel, _ := test.Material("carbon-steel")
	fmt.Printf("%g ohm, gauge factor %g ± %.4f, modulus %g GPa\n",
		lot.Resistance.Value, lot.GaugeFactor.Value, lot.GaugeFactor.Tolerance, steel.Young.Value/1e9)
	// Output:
	// 350 ohm, gauge factor 2.08 ± 0.0104, modulus 200 GPa
}

func ExampleProblems() {
	_, err := testfile.Parse("bracket.yaml", []byte(`
test: {name: bracket}
sources:
  node: {rate: 10, unit: mV/V}
gauges:
  G1: {lot: A1}
`), nil)
	fmt.Println(err)
	// Output:
	// bracket.yaml:4:16: sources.node.rate: found 10; write it with its unit, for example "10 Hz"
	// bracket.yaml:6:13: gauges.G1.lot: found the lot "A1", which is not defined; write one that the file defines; it defines none
}

func ExampleTest_Envelope() {
	test, err := testfile.Parse("bush.yaml", []byte(`
test: {name: bush}
sources: {node: {rate: 10 Hz}}
lots: {C1: {resistance: 350 ohm, gauge-factor: 2.1}}
installations:
  second-try:
    adhesive: {class: cyanoacrylate}
    preparation:
      - {step: rinse, agent: distilled-water, at: 2026-04-20T08:10:00Z}
    bonded: 2026-04-20T08:24:00Z
    cured: 2026-04-20T09:00:00Z
gauges: {G1: {lot: C1, installation: second-try}}
positions: {bush: {material: bronze}}
wiring: [{position: bush, gauge: G1, input: node/1}]
`), nil)
	if err != nil {
		fmt.Println(err)
		return
	}
	e := test.Envelope("G1")
	fmt.Printf("%g to %g degC\n", e.Lowest, e.Highest)
	fmt.Println(e.Broken[0].Text)
	fmt.Println(e.Paperwork[0].Text)
	// Output:
	// -34 to 91 degC
	// on copper and its alloys the gauge is in its adhesive and under pressure within ten minutes of the last preparation step: bonded 14 min after the last preparation step, 4 min too late
	// somebody signs for an installation: nobody has signed
}
