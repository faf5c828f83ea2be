package testfile

import (
	"errors"
	"flag"
	"fmt"
	"math/rand/v2"
	"os"
	"slices"
	"strings"
	"testing"
)

var update = flag.Bool("update", false, "rewrite the golden files")

// A mutation is one mistake made in the good file: texts that occur there once
// and what they become. In what they become ▸ stands where the problem must be
// reported; line and column are counted from the text alone. Mutations that
// share a word of clash are never drawn together, because one would make the
// other's place right or unreadable.
type mutation struct {
	rule  string
	edits []edit
	clash string
}

type edit struct{ old, new string }

func one(rule, old, new string) mutation { return mutation{rule: rule, edits: []edit{{old, new}}} }

func (m mutation) not(clash string) mutation { m.clash = clash; return m }

var mutations = []mutation{
	// reading
	one("unknown key, nearly right", "  article: main", "  ▸artcle: main"),
	one("unknown key", "  note: invented for the tests", "  ▸weather: dry"),
	one("unknown key with entries below", "installations:\n", "▸instalations:\n"),
	one("key twice", "    scan-skew: 1 ms\n", "    scan-skew: 1 ms\n    ▸scan-skew: 2 ms\n"),
	one("name twice", "  G6: {lot: C12}\n", "  G6: {lot: C12}\n  ▸G6: {lot: C12}\n"),
	one("missing key", "  C12:\n    resistance: 120 ohm\n", "  ▸C12:\n"),
	one("missing key in a list", "  - {position: R2, gauge: G4, input: frame/2}", "  - ▸{position: R2, input: frame/2}").not("R2"),
	one("list for a mapping", "    leads: {size: AWG 26, length: 12 m}", "    leads: ▸[AWG 26, 12 m]"),
	one("scalar for a list", "    polynomial: [0.1, 25.02, -0.003]", "    polynomial: ▸25.02"),
	one("list for a text", "    place: in the shade below the deck", "    place: ▸[shade, deck]"),
	one("nothing", "    cured: 2026-04-20T09:30\n", "    ▸cured:\n"),
	one("empty text", "    certificate: C-113", `    certificate: ▸""`),
	one("word of a list", "    family: steel", "    family: ▸steal"),
	one("yes or no", "      linearised: no", "      linearised: ▸maybe"),
	one("bad name", "  sag:\n", "  ▸sag/x:\n"),
	one("list as a key", "    signed: M. Arkle\n", "    signed: M. Arkle\n    ▸[a]: b\n"),
	one("anchor", "    at: deck plate, midspan", "    at: ▸&here deck plate, midspan"),
	one("tag", "    direction: along the span", "    direction: ▸!!str along the span"),
	one("merge key", "  old:\n    rate: 1 Hz\n", "  old:\n    ▸<<: {}\n    rate: 1 Hz\n"),
	// quantities
	one("bare number", "      resistor: 59.88 kohm", "      resistor: ▸59880"),
	one("wrong dimension", "    rate: 20 Hz", "    rate: ▸20 ms"),
	one("unknown unit", "    warm-up: 10 min", "    warm-up: ▸10 minutes"),
	one("decimal comma", "    grid-length: 6 mm", "    grid-length: ▸6,0 mm"),
	one("hexadecimal", "    completion: 350 ohm", "    completion: ▸0x15e ohm"),
	one("not a number", "    span: 1.002", "    span: ▸.nan"),
	one("too large", "    excitation: 5 V ± 0.1 %", "    excitation: ▸5e400 V"),
	one("outside its range", "    poisson: 0.29", "    poisson: ▸0.6"),
	one("below absolute zero", "    cure-temperature: 21 degC", "    cure-temperature: ▸-300 degC"),
	one("tolerance", "    young: 205 GPa ± 2 %", "    young: ▸205 GPa ± much"),
	one("unit where none belongs", "    capacity: 50", "    capacity: ▸50 kN").not("cell"),
	// times
	one("not a time", "    expires: 2027-01-31T00:00:00Z", "    expires: ▸31.01.2027"),
	one("date alone", "    bonded: 2026-04-20T08:30", "    bonded: ▸2026-04-20"),
	one("no such day", "        at: 2026-04-20T08:10", "        at: ▸2026-04-31T08:10"),
	one("skipped hour", "        at: 2026-04-20T08:20", "        at: ▸2026-03-29T01:30").not("zone"),
	one("hour shown twice", "agent: solvent, at: 2026-04-20T08:00", "agent: solvent, at: ▸2026-10-25T01:30").not("zone"),
	one("zone of the test", "  zone: Europe/London", "  zone: ▸Europe/Londn").not("zone"),
	one("zone of a source", "      zone: UTC", "      zone: ▸UTM"),
	// the test and its sources
	one("load", "  load: jack", "  load: ▸jak"),
	one("zero without a form", "  zero:\n    first: 60 s\n", "  ▸zero:\n"),
	one("zero in two forms", "    zero:\n      ratio: 0.0123 mV/V\n", "    ▸zero:\n      first: 30 s\n      ratio: 0.0123 mV/V\n"),
	one("zero window without an end", "      from: 2026-05-04T07:00:00\n      to: 2026-05-04T07:10:00\n", "      from: ▸2026-05-04T07:00:00\n"),
	one("zero window without a beginning", "      from: 2026-05-04T07:00:00\n      to: 2026-05-04T07:10:00\n", "      to: ▸2026-05-04T07:10:00\n"),
	one("zero window backwards", "      to: 2026-05-04T07:10:00", "      to: ▸2026-05-04T06:10:00"),
	one("limits upside down", "    temperature-high: 40 degC", "    temperature-high: ▸-8 degC").not("limits range"),
	one("limit above the polynomial", "    temperature-high: 40 degC", "    temperature-high: ▸150 degC").not("range"),
	one("limit below the polynomial", "    temperature-low: -5 degC", "    temperature-low: ▸-40 degC").not("limits range"),
	one("source name", "sources:\n", "sources:\n  ▸bad name:\n    rate: 1 Hz\n"),
	one("counts without a scale", "    unit: count\n    scale: 0.4 nV/V per count\n", "    unit: ▸count\n"),
	one("counts of an input without a scale", "        unit: mV\n", "        unit: ▸count\n"),
	one("microstrain without a gauge factor", "    unit: microstrain\n    logger:\n      gauge-factor: 2.00\n", "    unit: ▸microstrain\n    logger:\n"),
	one("range of another unit", "        range: 3 mV/V", "        range: ▸3 V"),
	one("range where none belongs", "        unit: ohm\n", "        unit: ohm\n        range: ▸5 V\n"),
	one("comma twice", "      delimiter: semicolon\n      decimal: comma", "      delimiter: comma\n      decimal: ▸comma"),
	one("volts without excitation", "    unit: V\n    range: 10 V\n    excitation: 5 V ± 0.1 %\n    excitation-input: EXC\n", "    unit: ▸V\n    range: 10 V\n").not("F1"),
	// lots, installations, gauges, positions
	one("no coefficients", "      coefficients: [-31.8, 2.77, -6.55e-2, 3.28e-4, -3.26e-7]", "      ▸coefficients: []"),
	one("thermal output without a unit", "    thermal-output:\n      in: microstrain\n", "    ▸thermal-output:\n"),
	one("polynomial range upside down", "      to: 120 degC", "      to: ▸-30 degC").not("range"),
	one("surface", "    surface: deck-plate", "    surface: ▸deck-plat"),
	one("adhesive range upside down", "      highest: 80 degC", "      highest: ▸-25 degC"),
	one("adhesive long-term range upside down", "      highest-long-term: 60 degC", "      highest-long-term: ▸-25 degC"),
	one("lot", "  G3: {lot: A23}", "  G3: {lot: ▸A24}"),
	one("installation", "installation: bench, resistance: 350.2 ohm", "installation: ▸bank, resistance: 350.2 ohm"),
	one("material", "  R1: {material: carbon-steel}", "  R1: {material: ▸carbon-stel}").not("material"),
	one("position never wired", "  L1: {material: carbon-steel}\n", "  L1: {material: carbon-steel}\n  ▸Z9: {material: brass}\n"),
	// wiring
	one("input of no source", "gauge: G3, input: frame/1}", "gauge: G3, input: ▸frame}").not("R1"),
	one("source of an input", "gauge: G5, input: frame/3}", "gauge: G5, input: ▸fram/3}"),
	one("wired position", "{position: P2, gauge", "{position: ▸P22, gauge"),
	one("wired gauge", "gauge: G6, input: deck/A4}", "gauge: ▸G66, input: deck/A4}"),
	one("wired backwards", "    from: 2026-05-05T12:00:00+01:00\n", "    from: 2026-05-05T12:00:00+01:00\n    to: ▸2026-05-05T11:00:00+01:00\n").not("P1"),
	one("position wired twice", "    to: 2026-05-05T12:00:00+01:00\n  - position: P1\n    gauge: G7", "  - position: ▸P1\n    gauge: G7").not("P1"),
	one("input wired twice", "gauge: G6, input: deck/A4}", "gauge: G6, input: ▸deck/A3}"),
	one("gauge wired twice", "{position: L1, gauge: G9, input: old/S1}", "{position: L1, gauge: ▸G8, input: old/S1}").not("F1"),
	one("input that is no bridge", "{position: L1, gauge: G9, input: old/S1}", "{position: L1, gauge: G9, input: ▸old/T}"),
	one("leads in two forms", "    leads: {resistance: 1.25 ohm}", "    ▸leads: {resistance: 1.25 ohm, size: AWG 26, length: 3 m}"),
	one("lead size without length", "      size: 0.14 mm2\n      length: 30 m\n", "      size: ▸0.14 mm2\n"),
	one("lead length without size", "leads: {size: AWG 26, length: 12 m}", "leads: {length: ▸12 m}"),
	one("leads without a resistance", "    leads: {resistance: 1 ohm}", "    ▸leads: {temperature: oldtemp}"),
	one("lead temperature", "      temperature: air", "      temperature: ▸airr"),
	one("lead temperature of another group", "      temperature: air", "      temperature: ▸oldtemp"),
	// temperatures
	one("thermocouple without a type", "    sensor: thermocouple\n    type: K\n", "    sensor: ▸thermocouple\n"),
	one("type without a thermocouple", "    max-age: 60 s\n", "    max-age: 60 s\n    type: ▸J\n"),
	one("r0 without a pt100", "    input: old/T\n", "    input: old/T\n    r0: ▸100 ohm\n"),
	one("two cold junctions", "    cold-junction: block\n", "    cold-junction: block\n    cold-junction-fixed: ▸20 degC\n"),
	one("cold junction", "    cold-junction: block\n", "    cold-junction: ▸blok\n"),
	one("cold junction in a circle", "    cold-junction: block\n", "    cold-junction: ▸plate\n"),
	one("cold junction of another group", "    cold-junction: block\n", "    cold-junction: ▸oldtemp\n"),
	one("sensor on another unit", "    input: climate/T1\n", "    input: ▸climate/T3\n"),
	one("sensor for another unit", "    sensor: pt100\n    r0: 100 ohm\n", "    sensor: ▸degC\n"),
	// auxiliary quantities
	one("auxiliary input", "    input: tower/U8", "    input: ▸towr/U8"),
	one("no calibration", "  sag:\n    input: tower/U8\n    quantity: displacement\n    unit: mm\n    polynomial: [0.1, 25.02, -0.003]\n", "  ▸sag:\n    input: tower/U8\n    quantity: displacement\n    unit: mm\n"),
	one("two calibrations", "  cell:\n", "  ▸cell:\n    polynomial: [0, 1]\n").not("cell"),
	one("no polynomial", "    polynomial: [0.1, 25.02, -0.003]", "    ▸polynomial: []"),
	one("sensitivity without capacity", "    sensitivity: 2.0013 mV/V\n    capacity: 50\n", "    sensitivity: ▸2.0013 mV/V\n").not("cell"),
	one("capacity without sensitivity", "    sensitivity: 2.0013 mV/V\n    capacity: 50\n    zero-reading: 0.011 mV/V\n", "    capacity: ▸50\n").not("cell"),
	one("capacity beside a polynomial", "    unit: mm\n", "    unit: mm\n    capacity: ▸12\n").not("sag"),
	one("zero reading without sensitivity", "    quantity: displacement\n", "    quantity: displacement\n    zero-reading: ▸0.1 mV/V\n").not("sag"),
	one("one point", "    points:\n      - {raw: 0.02, value: 0}\n", "    ▸points:\n").not("points"),
	one("the same point", "{raw: 8.51, value: 400}", "{raw: ▸0.02, value: 400}").not("points"),
	one("sensitivity of a temperature", "    input: deck/A8\n    quantity: load\n    unit: kN\n    sensitivity: 2.0013 mV/V\n", "    input: climate/T1\n    quantity: load\n    unit: kN\n    sensitivity: ▸2.0013 mV/V\n").not("cell"),
	// rosettes
	one("grid", "[ra, rb, rc]", "[ra, rb, ▸rx]").not("rc"),
	one("grids of the form", "    grids: [ra, rb, rc]", "    ▸grids: [ra, rb]").not("form rc"),
	one("grid twice", "[ra, rb, rc]", "[ra, rb, ▸rb]").not("rc"),
	one("grids of two sources", "gauge: G5, input: frame/3}", "gauge: G5, input: deck/A7}").with("[ra, rb, rc]", "[ra, rb, ▸rc]").not("R1"),
	one("grids on two materials", "  R3: {material: carbon-steel}", "  R3: {material: copper}").with("[ra, rb, rc]", "[ra, rb, ▸rc]").not("material"),
	one("grid in a half bridge", "rc: {position: R3, bridge: quarter_3wire, transverse: none", "rc: {position: R3, bridge: ▸half_bending, transverse: none").not("rc"),
	one("grid corrected twice", "rc: {position: R3, bridge: quarter_3wire, transverse: none", "rc: {position: R3, bridge: quarter_3wire, transverse: ▸uniaxial").not("rc"),
	one("form without angles", "    form: rectangular", "    form: ▸angles").not("form"),
	one("angles without their form", "    form: rectangular\n", "    form: rectangular\n    ▸angles: [0 deg, 45 deg, 90 deg]\n").not("form"),
	one("number of angles", "    form: rectangular\n", "    form: angles\n    ▸angles: [0 deg, 90 deg]\n").not("form"),
	one("singular angles", "    form: rectangular\n", "    form: angles\n    ▸angles: [10 deg, 55 deg, 190 deg]\n").not("form"),
	// S-N curves
	one("S-N curve", "    fatigue: plate\n", "    fatigue: ▸plat\n"),
	one("S-N curve of a material", "    fatigue: weld\n", "    fatigue: ▸well\n"),
	one("S-N curve without a stress", "transverse: none, temperature: plate}", "transverse: none, temperature: plate, fatigue: ▸weld}").not("rc"),
	one("S-N curve without a modulus", "    remote-sense: no\n", "    remote-sense: no\n    fatigue: ▸weld\n").with("  F1: {material: aluminium-6061}", "  F1: {material: no-modulus}").with("  bearing-bush:\n", "  no-modulus: {poisson: 0.26, expansion: 10 ppm/K, source: invented}\n  bearing-bush:\n"),
	one("S-N curve without a form", "  plate:\n    coefficient: 900 MPa\n    exponent: -0.11\n", "  ▸plate:\n").not("plate"),
	one("S-N curve in two forms", "  weld:\n    of: range\n", "  ▸weld:\n    of: range\n    coefficient: 900 MPa\n").not("weld"),
	one("coefficient alone", "    coefficient: 900 MPa\n    exponent: -0.11\n", "    coefficient: ▸900 MPa\n").not("plate"),
	one("exponent alone", "    coefficient: 900 MPa\n    exponent: -0.11\n", "    exponent: ▸-0.11\n").not("plate"),
	one("rising exponent", "    exponent: -0.11\n", "    exponent: ▸0.11\n").not("plate"),
	one("coefficient of ranges", "    exponent: -0.11\n", "    exponent: -0.11\n    of: ▸range\n").not("plate"),
	one("one point of an S-N curve", "    points:\n      - {stress: 135.7 MPa, cycles: 2.0e5}\n      - {stress: 63 MPa, cycles: 2.1e6}\n      - {stress: 46.4 MPa, cycles: 5.1e6}\n", "    ▸points:\n      - {stress: 135.7 MPa, cycles: 2.0e5}\n").not("weld"),
	one("rising S-N curve", "{stress: 63 MPa,", "{stress: ▸163 MPa,").not("weld"),
	one("S-N curve that goes back", "cycles: 5.1e6}", "cycles: ▸1.1e6}").not("weld"),
	one("S-N curve without a source", "    source: invented for this file\n", "").with("  weld:\n", "  ▸weld:\n").not("weld"),
	// evidence
	one("witness for nobody", "    witness-of: {lots: [A23], channels: [mid]}\n", "    ▸witness-of: {}\n").not("witness"),
	one("witness of a lot that is not there", "{lots: [A23],", "{lots: [▸A24],").not("witness"),
	one("witness of another lot", "{lots: [A23],", "{lots: [▸C12],").not("witness"),
	one("witness of a channel that is not there", "channels: [mid]}", "channels: [▸mad]}").not("witness"),
	one("witness of itself", "channels: [mid]}", "channels: [▸coupon]}").not("witness"),
	one("witness of a witness", "channels: [mid]}", "channels: [mid, ▸log1]}").with("    leads: {resistance: 1 ohm}\n", "    leads: {resistance: 1 ohm}\n    witness-of: {channels: [ra]}\n").not("witness log1 rc"),
	one("witness on another material", "channels: [mid]}", "channels: [mid, ▸kb]}").not("witness"),
	one("witness by another adhesive", "  G10: {lot: A23, installation: bench}", "  G10: {lot: A23, installation: shelf}").with("installations:\n", "installations:\n  shelf:\n    adhesive: {class: epoxy-hot}\n").with("channels: [mid]}", "channels: [▸mid]}").not("witness"),
	one("witness under another coating", "  G10: {lot: A23, installation: bench}", "  G10: {lot: A23, installation: shelf}").with("installations:\n", "installations:\n  shelf: {coating: none}\n").with("channels: [mid]}", "channels: [▸mid]}").not("witness"),
	one("neighbour", "neighbours: [kb, mid]", "neighbours: [kb, ▸med]").not("neighbours"),
	one("neighbour of itself", "neighbours: [kb, mid]", "neighbours: [kb, ▸ka]").not("neighbours"),
	one("neighbour twice", "neighbours: [kb, mid]", "neighbours: [kb, ▸kb]").not("neighbours"),
	one("neighbour that is a witness", "neighbours: [kb, mid]", "neighbours: [kb, ▸coupon]").not("neighbours witness"),
	one("pair of three", "    channels: [ka, kb]\n", "    ▸channels: [ka, kb, kc]\n").not("faces"),
	one("pair's channel", "    channels: [ka, kb]\n", "    channels: [ka, ▸kx]\n").not("faces"),
	one("pair of one", "    channels: [ka, kb]\n", "    channels: [ka, ▸ka]\n").not("faces"),
	one("pair with a witness", "    channels: [ka, kb]\n", "    channels: [ka, ▸coupon]\n").not("faces witness"),
	one("pair of two groups", "    channels: [ka, kb]\n", "    channels: [ka, ▸log1]\n").not("faces log1"),
	one("pair without a tolerance", "  twice: {form: redundant, channels: [kb, kc], tolerance: 10 um/m}\n", "  ▸twice: {form: redundant, channels: [kb, kc]}\n").not("twice"),
	one("under of a redundant pair", "channels: [kb, kc], tolerance: 10 um/m}", "channels: [kb, kc], under: ▸axial, tolerance: 10 um/m}").not("twice"),
	one("Poisson ratio of a redundant pair", "channels: [kb, kc], tolerance: 10 um/m}", "channels: [kb, kc], poisson: ▸0.3, tolerance: 10 um/m}").not("twice"),
	one("Poisson pair without a ratio", "  cross: {form: poisson, channels: [ka, kc], poisson: 0.3,", "  cross: {form: ▸poisson, channels: [P2, kc],").with("  bearing-bush:\n", "  no-ratio: {young: 70 GPa, source: invented}\n  bearing-bush:\n").with("  P2: {material: deck-plate}", "  P2: {material: no-ratio}").not("cross"),
	one("reference in another unit", "    quantity: reference\n    unit: mV/V\n", "    quantity: reference\n    unit: ▸um/m\n").not("steady"),
	one("second reference", "    unit: mV/V\n    polynomial: [0, 1]\n", "    unit: mV/V\n    polynomial: [0, 1]\n  steadier:\n    input: ▸deck/A7\n    quantity: reference\n    unit: mV/V\n    polynomial: [1]\n").not("steady"),
	one("tolerance of three grids", "    grid-a: 30 deg\n", "    grid-a: 30 deg\n    tolerance: ▸20 um/m\n").not("form rc"),
	one("relative tolerance of three grids", "    grid-a: 30 deg\n", "    grid-a: 30 deg\n    relative: ▸2 %\n").not("form rc"),
	// channels
	one("prediction's channel", "{step: half load, channel: mid,", "{step: half load, channel: ▸mida,").not("prediction"),
	one("prediction twice", "{step: full load, channel: mid,", "{step: half load, channel: ▸mid,").not("prediction"),
	{rule: "column name twice", edits: []edit{{"  web:\n", "  ▸air:\n"}, {"of: [web], reading", "of: [air], reading"}}},
	one("channel without a position", "  log1:\n    position: L1\n", "  ▸log1:\n").not("log1"),
	one("channel's position", "    position: F1\n", "    position: ▸F9\n"),
	one("channel's temperature", "position: R1, bridge: quarter_3wire, temperature: plate", "position: R1, bridge: quarter_3wire, temperature: ▸plat"),
	one("temperature of another group", "    temperature: oldtemp\n", "    temperature: ▸air\n").not("log1"),
	one("no temperature", "  rb: {position: R2, bridge: quarter_3wire, temperature: plate}", "  ▸rb: {position: R2, bridge: quarter_3wire}").not("R2"),
	one("excitation leads on a quarter bridge", "    bridge: quarter_2wire\n", "    bridge: quarter_2wire\n    ▸excitation-leads: {resistance: 1 ohm}\n"),
	one("remote sense on a quarter bridge", "    leads: {resistance: 0.4 ohm}\n", "    leads: {resistance: 0.4 ohm}\n    remote-sense: ▸yes\n"),
	one("leads on a full bridge", "    excitation-leads: {resistance: 0.8 ohm}\n", "    excitation-leads: {resistance: 0.8 ohm}\n    ▸leads: {resistance: 1 ohm}\n"),
	one("completion of a full bridge", "    remote-sense: no\n", "    remote-sense: no\n    completion: ▸350 ohm\n"),
	one("shunt on a full bridge", "      location: gauge\n", "      location: ▸instrument\n"),
	one("shunt on a half bridge", "    bridge: half_bending\n", "    bridge: half_bending\n    shunt: {location: ▸completion, resistor: 100 kohm}\n"),
	one("shunt before alone", "      before: 0.0123 mV/V\n      with: -0.8610 mV/V\n", "      before: ▸0.0123 mV/V\n"),
	one("shunt with alone", "      before: 0.0123 mV/V\n      with: -0.8610 mV/V\n", "      with: ▸-0.8610 mV/V\n"),
	one("shunt without a step", "      with: -0.8610 mV/V", "      with: ▸0.0123 mV/V"),
	one("shunt without a resistor", "    shunt:\n      location: completion\n      resistor: 100 kohm ± 0.1 %\n", "    ▸shunt:\n      location: completion\n"),
	one("ratio without a strain ratio", "    transverse: ratio\n    strain-ratio: -0.25\n", "    transverse: ▸ratio\n"),
	one("strain ratio unused", "    transverse: ratio\n    strain-ratio: -0.25\n", "    strain-ratio: ▸-0.25\n"),
	one("transverse mode of a half bridge", "    leads: {resistance: 1.25 ohm}\n", "    leads: {resistance: 1.25 ohm}\n    transverse: ▸none\n"),
	one("zero by value without temperature", "      ratio: 0.0123 mV/V\n      temperature: 18.5 degC\n", "      ratio: ▸0.0123 mV/V\n"),
	one("completion far off", "    completion: 350 ohm", "    completion: ▸120 ohm"),
	// alarms
	one("alarm of a channel that is none", "      of: [mid, ka]\n", "      of: [mid, ▸kz]\n"),
	one("alarm of a channel twice", "      of: [mid, ka]\n", "      of: [mid, ▸mid]\n"),
	one("alarm reading", "      reading: strain\n", "      reading: ▸strian\n").not("deck-strain"),
	one("alarm levels out of order", "warning: 850 um/m", "warning: ▸650 um/m").not("deck-strain"),
	one("alarm level of another dimension", "above: {warning: 150 MPa}", "above: {warning: ▸150 um/m}"),
	one("alarm level with a unit of its own", "above: {danger: 390}", "above: {danger: ▸390 MPa}"),
	one("alarm below what is above", "below: {danger: -400 um/m}", "below: {danger: ▸900 um/m}").not("deck-strain"),
	one("alarm without a level", "jack-force: {of: [jack], reading: value, above: {danger: 390}}", "▸jack-force: {of: [jack], reading: value}"),
	one("alarm name of our own", "    dead: {flags:", "    ▸silence: {flags:"),
	one("alarm on a flag that is none", "flags: [open, shorted, frozen]", "flags: [open, ▸short, frozen]"),
	one("alarm on no flag", "flags: [open, shorted, frozen]", "▸flags: []"),
	one("alarm on the silence of nobody", "silence: {of: [deck, tower]", "silence: {of: [deck, ▸towr]"),
	one("alarm level word", "level: warning, for: 1 min", "level: ▸alert, for: 1 min"),
	one("alarm without anybody", "    - {who: desk}", "    - ▸{from: notice}"),
}

func (m mutation) with(old, new string) mutation {
	m.edits = append(slices.Clone(m.edits), edit{old, new})
	return m
}

// span is the place of an edit in the good text.
type span struct{ from, to int }

func (m mutation) spans(t *testing.T, text string) []span {
	t.Helper()
	var spans []span
	for _, e := range m.edits {
		if n := strings.Count(text, e.old); n != 1 {
			t.Fatalf("%s: %q occurs %d times in the good file", m.rule, e.old, n)
		}
		from := strings.Index(text, e.old)
		spans = append(spans, span{from, from + len(e.old)})
	}
	return spans
}

// compatible says whether two mutations can be in one file.
func compatible(t *testing.T, text string, a, b mutation) bool {
	for w := range strings.FieldsSeq(a.clash) {
		if slices.Contains(strings.Fields(b.clash), w) {
			return false
		}
	}
	for _, p := range a.spans(t, text) {
		for _, q := range b.spans(t, text) {
			if p.from < q.to && q.from < p.to {
				return false
			}
		}
	}
	return true
}

// inject makes all the mistakes and returns the text with the places where
// problems must be reported, as line:column in order.
func inject(t *testing.T, text string, mistakes []mutation) (string, []string) {
	t.Helper()
	type change struct {
		span
		new string
	}
	var changes []change
	for _, m := range mistakes {
		for i, s := range m.spans(t, text) {
			changes = append(changes, change{s, m.edits[i].new})
		}
	}
	slices.SortFunc(changes, func(a, b change) int { return b.from - a.from })
	for _, c := range changes {
		text = text[:c.from] + c.new + text[c.to:]
	}
	var places []string
	for i, line := range strings.Split(text, "\n") {
		column := 1
		for _, r := range line {
			if r == '▸' {
				places = append(places, fmt.Sprintf("%d:%d", i+1, column))
			} else {
				column++
			}
		}
	}
	return strings.ReplaceAll(text, "▸", ""), places
}

func problemsOf(t *testing.T, text string) Problems {
	t.Helper()
	_, err := Parse("t.yaml", []byte(text), nil)
	if err == nil {
		return nil
	}
	var problems Problems
	if !errors.As(err, &problems) {
		t.Fatalf("error is %T, not Problems", err)
	}
	return problems
}

func placesOf(problems Problems) []string {
	var places []string
	for _, p := range problems {
		places = append(places, fmt.Sprintf("%d:%d", p.Mark.Line, p.Mark.Column))
	}
	return places
}

func goodText(t *testing.T) string {
	t.Helper()
	text, err := os.ReadFile(goodFile)
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

// Every rule by itself: one mistake, one problem, at its place, in the words of
// the golden file.
func TestEachMistakeAlone(t *testing.T) {
	const golden = "../../testdata/testfile/problems.golden"
	good := goodText(t)
	var got strings.Builder
	for _, m := range mutations {
		text, want := inject(t, good, []mutation{m})
		problems := problemsOf(t, text)
		if len(want) != 1 || !slices.Equal(placesOf(problems), want) {
			t.Errorf("%s: want one problem at %s, got %d:\n%v", m.rule, want, len(problems), problems)
		}
		fmt.Fprintf(&got, "%s\n    %v\n", m.rule, problems)
	}
	compareGolden(t, golden, got.String())
}

func compareGolden(t *testing.T, path, got string) {
	t.Helper()
	if *update {
		if err := os.WriteFile(path, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if got == string(want) {
		return
	}
	g, w := strings.Split(got, "\n"), strings.Split(string(want), "\n")
	for i := range max(len(g), len(w)) {
		if i >= len(g) || i >= len(w) || g[i] != w[i] {
			t.Fatalf("%s:%d differs (go test -update rewrites it)\n got %q\nwant %q", path, i+1, at(g, i), at(w, i))
		}
	}
}

func at(lines []string, i int) string {
	if i < len(lines) {
		return lines[i]
	}
	return "(nothing)"
}

// Ten mistakes in one file are ten problems, each at its own place, whatever
// ten they are: none hides another and none is told twice.
func TestTenMistakesAtOnce(t *testing.T) {
	const draws, mistakes = 200, 10
	good := goodText(t)
	rng := rand.New(rand.NewPCG(20260504, 1))
	drawn := map[string]int{}
	for draw := range draws {
		var ten []mutation
		for _, i := range rng.Perm(len(mutations)) {
			m := mutations[i]
			if len(ten) < mistakes && !slices.ContainsFunc(ten, func(o mutation) bool { return !compatible(t, good, m, o) }) {
				ten = append(ten, m)
				drawn[m.rule]++
			}
		}
		text, want := inject(t, good, ten)
		if problems := problemsOf(t, text); len(want) != mistakes || !slices.Equal(placesOf(problems), want) {
			var rules []string
			for _, m := range ten {
				rules = append(rules, m.rule)
			}
			t.Fatalf("draw %d (%s)\nwant %d problems at %s\n got %d:\n%v", draw, strings.Join(rules, "; "), mistakes, want, len(problems), problems)
		}
	}
	for _, m := range mutations {
		if drawn[m.rule] == 0 {
			t.Errorf("%s: never drawn", m.rule)
		}
	}
}
