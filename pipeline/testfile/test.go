package testfile

import (
	"slices"
	"time"
)

// Test is a whole test file, decoded and checked. Every quantity in it is in
// the base unit of its dimension (ohm, V/V, m/m, degC, s, m, Pa, Hz, 1/K).
// The yaml tags are the keys that a technician writes; doc tags feed the JSON
// Schema; unit tags name the dimension that a quantity must have.
type Test struct {
	About         About               `yaml:"test" doc:"what is tested, and defaults for the whole file" need:"yes"`
	Sources       Named[Source]       `yaml:"sources" doc:"data-acquisition nodes and loggers: one clock and one sample rate each" need:"yes"`
	Lots          Named[Lot]          `yaml:"lots" doc:"package data that several gauges share"`
	Materials     Named[Material]     `yaml:"materials" doc:"materials of the article; entries here override the built-in library"`
	Installations Named[Installation] `yaml:"installations" doc:"how gauges were bonded: surface, adhesive, times, cure, checks, signature"`
	Gauges        Named[Gauge]        `yaml:"gauges" doc:"bonded pieces (a set wired as one bridge counts as one piece)"`
	Positions     Named[Position]     `yaml:"positions" doc:"named points and directions on the article"`
	Wiring        []Wire              `yaml:"wiring" doc:"which gauge on which input served a position, from when to when"`
	Channels      Named[Channel]      `yaml:"channels" doc:"a position's time series and how its bridge is reduced"`
	ChannelList   Word                `yaml:"channel-list" doc:"a CSV or XLSX file beside this one with further channels, one a row"`
	Temperatures  Named[Temperature]  `yaml:"temperatures" doc:"temperature readings that channels use"`
	Auxiliary     Named[Auxiliary]    `yaml:"auxiliary" doc:"load, pressure, displacement, level, humidity: inputs with their own calibration"`
	Rosettes      Named[Rosette]      `yaml:"rosettes" doc:"grids that together give plane strain"`
	Pairs         Named[Pair]         `yaml:"pairs" doc:"channels whose strains follow from each other, so that each checks the other"`
	Fatigue       Named[Fatigue]      `yaml:"fatigue" doc:"S-N curves that the damage of counted cycles is summed by"`
	Predictions   []Prediction        `yaml:"predictions" doc:"what a calculation expects of a channel at a load step"`
	Alarms        Alarms              `yaml:"alarms" doc:"what a person is told of, and whom; Glueline monitors, it is not a protective system"`
	Drawing       Drawing             `yaml:"drawing" doc:"a picture of the article for the console, with the places of gauges on it"`

	Dir string // folder of the file, for paths beside it
}

// About describes the test as a whole.
type About struct {
	Name    Word   `yaml:"name" need:"yes" doc:"short name of the test"`
	Article Word   `yaml:"article" doc:"the test article in words"`
	Zone    Word   `yaml:"zone" doc:"IANA time zone of local times in this file; UTC when absent"`
	Load    Word   `yaml:"load" doc:"the auxiliary quantity that strain is read against"`
	Zero    Zero   `yaml:"zero" doc:"zero of every channel that states none of its own and gets none from an event"`
	Limits  Limits `yaml:"limits" doc:"limits of every channel that states none of its own"`
	Note    Word   `yaml:"note"`
}

// Source is one clock and one stream of rows.
type Source struct {
	Rate           Quantity     `yaml:"rate" unit:"Hz" need:"yes" doc:"nominal sample rate"`
	Group          Word         `yaml:"group" doc:"sources that need each other carry the same word; 'main' when absent"`
	ClockTolerance Quantity     `yaml:"clock-tolerance" unit:"s" doc:"how far its clock may differ from the others of its group"`
	ClockAhead     Quantity     `yaml:"clock-ahead" unit:"s" range:"[-31622400,31622400]" doc:"how far its clock is ahead of the others, taken off its times; negative where it is behind; at most a year"`
	ScanSkew       Quantity     `yaml:"scan-skew" unit:"s" doc:"time from the first to the last input of one scan"`
	Unit           Word         `yaml:"unit" enum:"V/V,mV/V,V,mV,count,microstrain,degC,ohm" doc:"unit of inputs that state none"`
	Scale          Quantity     `yaml:"scale" unit:"V/V or V" range:">0" doc:"value of one count, for inputs in counts"`
	Range          Quantity     `yaml:"range" unit:"V/V or V or count" range:">0" doc:"largest reading that the instrument can give, either sign"`
	Excitation     Quantity     `yaml:"excitation" unit:"V" range:">0" doc:"nominal excitation, for inputs in volts"`
	ExcitationIn   Word         `yaml:"excitation-input" doc:"input that measures the excitation, in V"`
	WarmUp         Quantity     `yaml:"warm-up" unit:"s" doc:"time after excitation is switched on before readings hold"`
	Logger         Logger       `yaml:"logger" doc:"how a logger made strain out of ratio, for inputs in microstrain"`
	CSV            CSV          `yaml:"csv" doc:"form of this source's CSV files"`
	Inputs         Named[Input] `yaml:"inputs" doc:"inputs that differ from the source's own unit, scale and range"`
}

// Input is a terminal of a source.
type Input struct {
	Unit  Word     `yaml:"unit" enum:"V/V,mV/V,V,mV,mA,count,microstrain,degC,ohm,%,Pa,kPa,bar,m,mm,N,kN" doc:"unit of the raw readings"`
	Scale Quantity `yaml:"scale" unit:"V/V or V" range:">0" doc:"value of one count"`
	Range Quantity `yaml:"range" unit:"V/V or V or count" range:">0" doc:"largest reading, either sign"`
}

// Logger says how readings that arrive as microstrain were made.
type Logger struct {
	GaugeFactor  Quantity `yaml:"gauge-factor" unit:"1" range:">0" doc:"gauge factor set in the logger"`
	BridgeFactor Quantity `yaml:"bridge-factor" unit:"1" range:">0" doc:"number of active arms it divided by; 1 for a quarter bridge"`
	Linearised   Flag     `yaml:"linearised" doc:"yes when the logger removed the quarter bridge's nonlinearity"`
	Sign         Word     `yaml:"sign" enum:"tension-positive,tension-negative"`
}

// CSV is the form of a source's CSV files.
type CSV struct {
	Delimiter Word `yaml:"delimiter" enum:"comma,semicolon,tab,space" doc:"found from the header when absent"`
	Decimal   Word `yaml:"decimal" enum:"point,comma" doc:"found from the delimiter when absent: semicolon files may use either"`
	Time      Word `yaml:"time" doc:"header of the time column; 'time' when absent"`
	Start     Time `yaml:"start" doc:"instant of second 0 when the time column holds seconds"`
	Zone      Word `yaml:"zone" doc:"zone of time stamps that carry none; the test's when absent"`
}

// Lot is the data of a gauge package.
type Lot struct {
	Resistance             Quantity      `yaml:"resistance" unit:"ohm" need:"yes"`
	GaugeFactor            Quantity      `yaml:"gauge-factor" unit:"1" range:">0" need:"yes"`
	GaugeFactorTemperature Quantity      `yaml:"gauge-factor-temperature" unit:"degC" doc:"24 degC when absent"`
	GaugeFactorSlope       Quantity      `yaml:"gauge-factor-slope" unit:"1/K" doc:"for example 0.9 %/100 degC"`
	TransverseSensitivity  Quantity      `yaml:"transverse-sensitivity" unit:"1" range:"(-0.5,0.5)" doc:"for example 0.7 %"`
	CalibrationPoisson     Quantity      `yaml:"calibration-poisson" unit:"1" range:"(-1,0.5]" doc:"Poisson ratio of the calibration beam; 0.285 when absent"`
	Elongation             Quantity      `yaml:"elongation" unit:"m/m" range:">0" doc:"largest strain that the gauge stands"`
	GridLength             Quantity      `yaml:"grid-length" unit:"m"`
	GridWidth              Quantity      `yaml:"grid-width" unit:"m"`
	ThermalOutput          ThermalOutput `yaml:"thermal-output"`
}

// ThermalOutput is the package's polynomial; Coefficients are as written,
// ascending, in the units that In and Of name.
type ThermalOutput struct {
	In                   Word       `yaml:"in" enum:"microstrain,strain" need:"yes" doc:"unit of the result"`
	Of                   Word       `yaml:"of" enum:"degC,degF" need:"yes" doc:"unit of the temperature"`
	Coefficients         []Quantity `yaml:"coefficients" unit:"bare" need:"yes" doc:"ascending powers"`
	ReferenceGaugeFactor Quantity   `yaml:"reference-gauge-factor" unit:"1" range:">0" doc:"2.0 when absent"`
	MaterialExpansion    Quantity   `yaml:"material-expansion" unit:"1/K" doc:"expansion of the material that it was measured on"`
	From                 Quantity   `yaml:"from" unit:"degC" doc:"lowest temperature it was fitted for"`
	To                   Quantity   `yaml:"to" unit:"degC" doc:"highest temperature it was fitted for"`
	Given                bool       `yaml:"-"`
	Mark                 Mark       `yaml:"-"`
}

// Material is linear elastic data of what the gauge is bonded to.
type Material struct {
	Young     Quantity `yaml:"young" unit:"Pa" doc:"modulus of elasticity"`
	Poisson   Quantity `yaml:"poisson" unit:"1" range:"(-1,0.5]"`
	Expansion Quantity `yaml:"expansion" unit:"1/K"`
	Yield     Quantity `yaml:"yield" unit:"Pa"`
	Family    Word     `yaml:"family" enum:"steel,stainless-steel,aluminium,copper,copper-alloy,titanium,cast-iron,other" doc:"what the rules of practice call it"`
	Fatigue   Word     `yaml:"fatigue" doc:"S-N curve of channels on it that name none of their own"`
	Source    Word     `yaml:"source" doc:"where the figures come from"`
}

// Installation is the record of a bonding.
type Installation struct {
	Surface     Word       `yaml:"surface" doc:"name of the material bonded to; the position's material when absent"`
	Adhesive    Adhesive   `yaml:"adhesive"`
	Preparation []PrepStep `yaml:"preparation" doc:"surface preparation, in order, each with its time"`
	Bonded      Time       `yaml:"bonded" doc:"gauge in its adhesive and under pressure, cure begun"`
	Cured       Time       `yaml:"cured" doc:"end of cure"`
	CureTemp    Quantity   `yaml:"cure-temperature" unit:"degC"`
	Outdoors    Flag       `yaml:"outdoors"`
	LongTerm    Flag       `yaml:"long-term" doc:"yes when it must serve for more than about a day"`
	Coating     Word       `yaml:"coating" doc:"moisture protection, or 'none'"`
	Resistance  Quantity   `yaml:"resistance-after" unit:"ohm" doc:"measured after bonding"`
	Insulation  Quantity   `yaml:"insulation-after" unit:"ohm" doc:"gauge to article, measured after bonding"`
	Signed      Word       `yaml:"signed" doc:"who answers for it"`
	Note        Word       `yaml:"note"`
}

// Adhesive is named by class; its range may be narrowed here.
type Adhesive struct {
	Class       Word     `yaml:"class" enum:"cyanoacrylate,epoxy-room,epoxy-hot,polyester,phenolic,ceramic,weldable,other"`
	Lowest      Quantity `yaml:"lowest" unit:"degC"`
	Highest     Quantity `yaml:"highest" unit:"degC" doc:"for a short time"`
	HighestLong Quantity `yaml:"highest-long-term" unit:"degC" doc:"the laboratory's own limit for long use"`
}

// PrepStep is one step of preparing a surface.
type PrepStep struct {
	Step  Word `yaml:"step" enum:"degrease,abrade,condition,neutralise,rinse,wipe,other" need:"yes"`
	Agent Word `yaml:"agent" enum:"solvent,mild-acid,ammonia-neutraliser,distilled-water,dry,other"`
	At    Time `yaml:"at"`
	Mark  Mark `yaml:"-"`
}

// Gauge is one bonded piece.
type Gauge struct {
	Lot          Word     `yaml:"lot" need:"yes"`
	Installation Word     `yaml:"installation"`
	Resistance   Quantity `yaml:"resistance" unit:"ohm" doc:"this piece's own; its lot's when absent"`
	Kt           Quantity `yaml:"transverse-sensitivity" unit:"1" range:"(-0.5,0.5)" doc:"this grid's own; its lot's when absent"`
}

// Position is a named point and direction on the article.
type Position struct {
	At        Word     `yaml:"at" doc:"where, in words"`
	Direction Word     `yaml:"direction" doc:"axis of the grid, in words"`
	Material  Word     `yaml:"material" need:"yes"`
	Angle     Quantity `yaml:"angle" unit:"rad" doc:"axis of the grid on the article's drawing, counterclockwise from x"`

	FreeToExpand Flag `yaml:"free-to-expand" doc:"yes where the part is free to expand and has one temperature throughout, so that without load it has no stress at any temperature"`
}

// Wire is one entry of the wiring map.
type Wire struct {
	Position Word  `yaml:"position" need:"yes"`
	Gauge    Word  `yaml:"gauge" need:"yes"`
	Input    Word  `yaml:"input" need:"yes" doc:"source/input"`
	From     Time  `yaml:"from" doc:"since ever when absent"`
	To       Time  `yaml:"to" doc:"until now when absent"`
	Polarity Word  `yaml:"polarity" enum:"normal,reversed"`
	Leads    Leads `yaml:"leads" doc:"the channel's when absent"`
	Mark     Mark  `yaml:"-"`
}

// Leads are the wires between gauge and instrument, each wire alike.
type Leads struct {
	Resistance  Quantity `yaml:"resistance" unit:"ohm" range:">=0" doc:"of one wire at 20 degC, measured"`
	Size        Quantity `yaml:"size" unit:"m2" doc:"cross-section, for example 0.14 mm2 or AWG 26"`
	Length      Quantity `yaml:"length" unit:"m" doc:"of one wire"`
	Tempco      Quantity `yaml:"temperature-coefficient" unit:"1/K" doc:"0.00393 /K for copper when absent"`
	Temperature Word     `yaml:"temperature" doc:"name of a temperature; the gauge's own when absent"`
	Given       bool     `yaml:"-"`
	Mark        Mark     `yaml:"-"`
}

// Channel is a position's time series.
type Channel struct {
	Position    Word     `yaml:"position" doc:"the channel's own name when absent"`
	Bridge      Word     `yaml:"bridge" need:"yes" enum:"quarter_2wire,quarter_3wire,half_dummy,half_bending,half_poisson,half_opposite_2wire,half_opposite_3wire,full_bending,full_poisson_axial,full_bending_poisson,full_shear"`
	Completion  Quantity `yaml:"completion" unit:"ohm" doc:"fixed resistors of the bridge; the gauge's nominal when absent"`
	Leads       Leads    `yaml:"leads"`
	Excitation  Leads    `yaml:"excitation-leads" doc:"full bridges: each excitation wire"`
	RemoteSense Flag     `yaml:"remote-sense" doc:"full bridges: yes with six wires"`
	Temperature Word     `yaml:"temperature" doc:"name of a temperature, of the channel's own group"`
	Transverse  Word     `yaml:"transverse" enum:"none,uniaxial,ratio" doc:"uniaxial when absent; grids of a rosette are none"`
	StrainRatio Quantity `yaml:"strain-ratio" unit:"1" range:"[-10,10]" doc:"transverse over axial strain, for transverse: ratio"`
	Span        Quantity `yaml:"span" unit:"1" range:">0" doc:"instrument gain found by a calibration; 1 when absent"`
	Shunt       Shunt    `yaml:"shunt"`
	Zero        Zero     `yaml:"zero"`
	Limits      Limits   `yaml:"limits"`
	Fatigue     Word     `yaml:"fatigue" doc:"S-N curve for its damage; its material's when absent"`
	Witness     Witness  `yaml:"witness-of" doc:"of a gauge on a free coupon (same material, adhesive and coating, no load): whom it stands for"`
	Neighbours  []Word   `yaml:"neighbours" doc:"channels that would answer to the same crack"`
	Note        Word     `yaml:"note"`
}

// Shunt is a channel's calibration resistor. Before and With, when both are
// given, calibrate the span; a shunt event alone is a check and never does.
type Shunt struct {
	Location Word     `yaml:"location" enum:"gauge,completion,instrument" need:"yes"`
	Resistor Quantity `yaml:"resistor" unit:"ohm" need:"yes"`
	Before   Quantity `yaml:"before" unit:"V/V" doc:"reading without it, at the zero state"`
	With     Quantity `yaml:"with" unit:"V/V" doc:"reading with it"`
	Settling Quantity `yaml:"settling" unit:"s" doc:"after switching; 1 s when absent"`
	Given    bool     `yaml:"-"`
	Mark     Mark     `yaml:"-"`
}

// Zero states a zero without an event: either by value, or by a window at the
// beginning of the data or between two instants. Values before the end of a
// window are not written, since their zero is not known yet.
type Zero struct {
	Ratio           Quantity `yaml:"ratio" unit:"V/V"`
	Temperature     Quantity `yaml:"temperature" unit:"degC"`
	LeadTemperature Quantity `yaml:"lead-temperature" unit:"degC" doc:"the zero temperature when absent"`
	First           Quantity `yaml:"first" unit:"s" doc:"mean over this much of the beginning of the data"`
	From            Time     `yaml:"from"`
	To              Time     `yaml:"to"`
	Name            Word     `yaml:"name" doc:"what the zero is called in headings"`
	Given           bool     `yaml:"-"`
	Mark            Mark     `yaml:"-"`
}

// Limits are judged by flags; nothing is removed.
type Limits struct {
	Strain          Quantity `yaml:"strain" unit:"m/m" range:">0" doc:"largest expected strain, either sign"`
	TemperatureLow  Quantity `yaml:"temperature-low" unit:"degC" doc:"lowest temperature expected in service, for check"`
	TemperatureHigh Quantity `yaml:"temperature-high" unit:"degC" doc:"highest temperature expected in service, for check"`
	TemperatureRate Quantity `yaml:"temperature-rate" unit:"K/s" doc:"faster than this the sensor does not follow the gauge"`
	Excitation      Quantity `yaml:"excitation-band" unit:"1" range:">0" doc:"relative departure of measured excitation that is flagged"`
	Frequency       Quantity `yaml:"frequency" unit:"Hz" doc:"highest frequency that matters, for the peak loss in check"`
}

// Temperature is one temperature reading in time.
type Temperature struct {
	Input        Word     `yaml:"input" need:"yes" doc:"source/input"`
	Sensor       Word     `yaml:"sensor" enum:"degC,thermocouple,pt100" doc:"degC when absent"`
	Type         Word     `yaml:"type" enum:"K,T,J,N,E" doc:"for a thermocouple"`
	ColdJunction Word     `yaml:"cold-junction" doc:"name of a temperature; readings are compensated already when neither this nor a fixed one is given"`
	ColdFixed    Quantity `yaml:"cold-junction-fixed" unit:"degC"`
	R0           Quantity `yaml:"r0" unit:"ohm" doc:"Pt100 at 0 degC; 100 ohm when absent"`
	MaxAge       Quantity `yaml:"max-age" unit:"s" doc:"older readings are flagged stale; three of its sample periods, but at least 10 s, when absent"`
	Place        Word     `yaml:"place"`
}

// Auxiliary is a load, pressure, displacement, level, humidity or the like.
// One of Points, Polynomial or Sensitivity turns raw into its unit.
type Auxiliary struct {
	Input       Word       `yaml:"input" need:"yes"`
	Quantity    Word       `yaml:"quantity" enum:"load,pressure,displacement,level,humidity,reference,other" need:"yes" doc:"a reference is a stable resistor bridge on a terminal of its source, in mV/V"`
	Unit        Word       `yaml:"unit" need:"yes" doc:"unit of the result, in words of your own choice: kN, bar, m, %"`
	Points      []Point    `yaml:"points" doc:"two points: raw reading and value"`
	Polynomial  []Quantity `yaml:"polynomial" unit:"bare" doc:"ascending powers of the raw reading in its own unit"`
	Sensitivity Quantity   `yaml:"sensitivity" unit:"V/V" doc:"a transducer's output at its capacity"`
	Capacity    Quantity   `yaml:"capacity" unit:"bare" range:">0" doc:"the value at which it gives that output, in the result's unit"`
	ZeroReading Quantity   `yaml:"zero-reading" unit:"V/V" doc:"a transducer's output at nothing"`
	Certificate Word       `yaml:"certificate"`
	Expires     Time       `yaml:"expires"`
}

// Point maps a raw reading, in the input's unit, to a value.
type Point struct {
	Raw   Quantity `yaml:"raw" unit:"bare" need:"yes"`
	Value Quantity `yaml:"value" unit:"bare" need:"yes"`
	Mark  Mark     `yaml:"-"`
}

// Rosette is a set of grids at one place. Angles, when given, are of the grids
// from grid a in the sense of Numbering.
type Rosette struct {
	Grids     []Word     `yaml:"grids" need:"yes" doc:"channels, grid a first"`
	Form      Word       `yaml:"form" enum:"rectangular,delta,tee,angles" need:"yes"`
	Angles    []Quantity `yaml:"angles" unit:"rad"`
	Numbering Word       `yaml:"numbering" enum:"counterclockwise,clockwise" doc:"sense in which the grids follow each other; counterclockwise when absent"`
	Tolerance Quantity   `yaml:"tolerance" unit:"m/m" range:">0" doc:"of four grids or more: what may be left over at any strain; 20 um/m when absent"`
	Relative  Quantity   `yaml:"relative" unit:"1" range:">=0" doc:"what may be left over beside it, as a part of the largest grid's strain; 2 % when absent"`
	GridA     Quantity   `yaml:"grid-a" unit:"rad" doc:"angle of grid a on the article, counterclockwise from its x axis; 0 when absent"`
}

// Prediction is what a calculation expects of a channel at a step.
type Prediction struct {
	Step    Word     `yaml:"step" need:"yes"`
	Channel Word     `yaml:"channel" need:"yes"`
	Strain  Quantity `yaml:"strain" unit:"m/m" need:"yes" doc:"with its band, for example 310 um/m ± 15 %"`
	Mark    Mark     `yaml:"-"`
}

// Fatigue is an S-N curve of nominal stress, by points or by Basquin's constants
// (amplitude = Coefficient (2N)^Exponent, 2N being the number of reversals).
type Fatigue struct {
	Of          Word           `yaml:"of" enum:"range,amplitude" doc:"what the stresses of points and cut-off are; range when absent, amplitude with a coefficient"`
	Points      []FatiguePoint `yaml:"points" doc:"two or more, by falling stress; straight lines between them in logarithms"`
	Coefficient Quantity       `yaml:"coefficient" unit:"Pa" range:">0" doc:"fatigue strength coefficient, of amplitudes against reversals"`
	Exponent    Quantity       `yaml:"exponent" unit:"1" range:"(-1,0)" doc:"fatigue strength exponent, below 0"`
	CutOff      Quantity       `yaml:"cut-off" unit:"Pa" range:">0" doc:"stress below which cycles do no damage; without it the last line goes on"`
	Source      Word           `yaml:"source" need:"yes" doc:"where the figures come from"`
	Mark        Mark           `yaml:"-"`
}

// FatiguePoint is a stress and the cycles that it is borne for.
type FatiguePoint struct {
	Stress Quantity `yaml:"stress" unit:"Pa" range:">0" need:"yes"`
	Cycles Quantity `yaml:"cycles" unit:"bare" range:">0" need:"yes" doc:"to failure"`
	Mark   Mark     `yaml:"-"`
}

// FatigueOf returns the S-N curve of a channel: its own, or else that of its
// position's material. It is nil where neither names one.
func (t *Test) FatigueOf(channel string) *Fatigue {
	ch, ok := t.Channels.Get(channel)
	if !ok {
		return nil
	}
	name := ch.Fatigue.Text
	if p, ok := t.Positions.Get(ch.Position.Or(channel)); ok && name == "" {
		m, _ := t.Materials.Get(p.Material.Text)
		if m == nil {
			return nil
		}
		name = m.Fatigue.Text
	}
	f, _ := t.Fatigue.Get(name)
	return f
}

// Word is a name or text as written, and where.
type Word struct {
	Text string
	Mark Mark
}

// Or returns the text, or fallback when nothing was written.
func (w Word) Or(fallback string) string {
	if w.Text == "" {
		return fallback
	}
	return w.Text
}

// Flag is yes or no as written.
type Flag struct {
	Value bool
	Mark  Mark
	Given bool
}

// Time is an instant as written.
type Time struct {
	time.Time
	Mark  Mark
	Given bool
}

// Quantity is a number with a unit, converted to the base unit of its dimension.
type Quantity struct {
	Value     float64
	Tolerance float64 // half width in the same unit; 0 when none is stated
	Unit      string  // base unit of Value: ohm, V/V, V, count, m/m, degC, s, m, m2, Pa, Hz, 1, 1/K, K/s, rad
	Text      string  // as written
	Mark      Mark
	Given     bool
}

// Or returns the value, or fallback when nothing was written.
func (q Quantity) Or(fallback float64) float64 {
	if !q.Given {
		return fallback
	}
	return q.Value
}

// Mark is a place in a file, counted from 1.
type Mark struct {
	File         string
	Line, Column int
}

// Named is an ordered mapping, as written.
type Named[T any] struct {
	Entries []Entry[T]
	Mark    Mark

	index   map[string]int // of Entries, kept by the decoder
	partial bool           // something was written that could not be read, so absence proves nothing
}

// Entry is one key of a mapping.
type Entry[T any] struct {
	Name  string
	Mark  Mark
	Value T
}

// Get returns the entry of that name.
func (n Named[T]) Get(name string) (*T, bool) {
	v, _, ok := n.find(name)
	return v, ok
}

// find is Get with the entry's place.
func (n Named[T]) find(name string) (*T, Mark, bool) {
	i, ok := n.index[name]
	if len(n.index) != len(n.Entries) { // not made by the decoder alone
		i = slices.IndexFunc(n.Entries, func(e Entry[T]) bool { return e.Name == name })
		ok = i >= 0
	}
	if !ok {
		return nil, Mark{}, false
	}
	return &n.Entries[i].Value, n.Entries[i].Mark, true
}

// Names returns the keys in the order of the file.
func (n Named[T]) Names() []string {
	names := make([]string, len(n.Entries))
	for i := range n.Entries {
		names[i] = n.Entries[i].Name
	}
	return names
}
