package group

import (
	"math"

	"glueline/pipeline/event"
)

// State is what a group remembers between frames. All of it is raw: readings,
// times, counts and events, found by source, temperature and by input and gauge.
type State struct {
	Sources      map[string]*SourceState
	Temperatures map[string]*TemperatureState
	Inputs       map[string]*InputState // by "source/input|gauge"
	Load         *float64               `json:",omitempty"` // newest, in the unit of the quantity that strain is read against
	Begun        []Begun                `json:",omitempty"` // by events, and not ended
}

// SourceState is what is known of one source.
type SourceState struct {
	Started       bool
	First, Last   int64     // ns, times of its first row and of the last that came
	Newest        int64     // ns, the highest time so far
	Rows          uint64    // that came
	LastCounter   uint64    // of the last row
	Boot          string    // of the last row
	Waiting       []Pending // events that its rows have not reached yet, by time
	ExcitationOff bool
	WarmUntil     int64        // ns
	Step          string       // the step that holds, for predictions
	LoadState     string       `json:",omitempty"` // idle or loaded; "" before anybody said so
	Columns       []ColumnForm `json:",omitempty"` // of its newest frame
}

// ColumnForm is what a frame says of a column: without it a zero is raw numbers
// of an unknown unit.
type ColumnForm struct {
	Name, Unit string
	Counts     bool `json:",omitempty"`
}

// Pending is an event, or the end of what one began, waiting for its time.
type Pending struct {
	At    int64 // ns
	Event event.Event
	// Settled ends a shunt's settling; Event is nil then.
	Settled string `json:",omitempty"`
	// Stated marks a zero window of the test file: it gives way to an event's zero.
	Stated bool `json:",omitempty"`
}

// TemperatureState holds a temperature's newest readings, oldest first.
type TemperatureState struct {
	Readings []Reading
}

// Reading is one temperature reading.
type Reading struct {
	At    int64   // ns
	Value float64 // degC
	Fast  bool    // it moved faster than its limit since the reading before
}

// Readings are kept so that a strain source that lags behind still finds the
// temperature of its own time: this many, no closer together than this.
const (
	keptReadings   = 256
	readingSpacing = 20e6 // ns
)

// InputState is what is known of a gauge on an input.
type InputState struct {
	LastRaw    Real
	Run        int  // how often LastRaw has come in a row
	Rail       int8 // -1, +1: at that end of the range; 0: inside
	Jumped     bool // it got to the rail in one step
	ShuntOn    bool // connected or settling
	Handled    bool
	Coldest    Real // degC since the last signed check
	Hottest    Real
	Taken      map[string]*ZeroRecord // newest finished zero by kind
	InProgress map[string]*ZeroRecord // zeros between begin and end, by kind; readings of a pair
	Pairing    *Carry                 `json:",omitempty"` // work that a reading may jump through, not ended yet
	Carried    []Carry                `json:",omitempty"` // such work that zeros were carried over, in order
	Restarted  bool                   `json:",omitempty"` // such work without paired readings, and no zero since
	Jumps      JumpWatch
	Spikes     SpikeWatch
}

// ZeroRecord is a zero as it was taken: means over its window, raw.
type ZeroRecord struct {
	Kind, Name, Who, Why string
	From, To             int64 // ns
	Stated               bool  // a window of the test file, not an event
	Raw                  Mean  // raw unit of the input
	Excitation           Mean  // V, when measured
	Temperature          Mean  // degC
	LeadTemperature      Mean  // degC

	// What the reading is judged by before it is believed.
	Load    Mean    // in its unit
	Seconds Mean    // since From, of the readings
	Joint   float64 // sum of products of deviations of Seconds and Raw
	Flags   uint32  // all flags of the rows, those left out too
	LeftOut int     // rows
	NotIdle bool    // the article was loaded, or nobody had said that it was idle
}

// Mean is a running mean and sum of squared deviations (Welford 1962, in the
// form of Knuth, The Art of Computer Programming, vol. 2, 4.2.2).
type Mean struct {
	N    int
	Mean float64
	M2   float64
}

// Add takes one more value; NaN is passed over.
func (m *Mean) Add(x float64) {
	if math.IsNaN(x) {
		return
	}
	m.N++
	d := x - m.Mean
	m.Mean += d / float64(m.N)
	m.M2 += d * (x - m.Mean)
}

// SD returns the sample standard deviation; NaN below two values.
func (m *Mean) SD() float64 {
	if m.N < 2 {
		return math.NaN()
	}
	return math.Sqrt(m.M2 / float64(m.N-1))
}

func newState(p *Plan) *State {
	s := &State{
		Sources:      map[string]*SourceState{},
		Temperatures: map[string]*TemperatureState{},
		Inputs:       map[string]*InputState{},
	}
	for _, source := range p.sources {
		s.Sources[source.name] = &SourceState{WarmUntil: math.MinInt64, Newest: math.MinInt64}
		for _, c := range source.channels {
			for _, w := range c.wires {
				if s.Inputs[w.key] == nil {
					s.Inputs[w.key] = newInputState()
				}
			}
		}
	}
	for _, t := range p.temperatures {
		s.Temperatures[t.name] = &TemperatureState{}
	}
	return s
}

func newInputState() *InputState {
	return &InputState{
		LastRaw:    Real(math.NaN()),
		Coldest:    Real(math.Inf(1)),
		Hottest:    Real(math.Inf(-1)),
		Taken:      map[string]*ZeroRecord{},
		InProgress: map[string]*ZeroRecord{},
	}
}

// inForce is the zero that strain is counted from: the newest test zero, else
// the installation zero; a newer reading that a zero was carried to from another
// gauge or input stands before both. A tare is subtraction on screens and never
// in force.
func (s *InputState) inForce() *ZeroRecord {
	z := s.Taken["test"]
	if z == nil {
		z = s.Taken["installation"]
	}
	for _, k := range s.Carried {
		if k.From != "" && (z == nil || k.After.To > z.To) {
			z = k.After
		}
	}
	return z
}

// wait puts a pending event in its place by time, behind those of its instant.
func (s *SourceState) wait(p Pending) {
	i := len(s.Waiting)
	for i > 0 && s.Waiting[i-1].At > p.At {
		i--
	}
	s.Waiting = append(s.Waiting, Pending{})
	copy(s.Waiting[i+1:], s.Waiting[i:])
	s.Waiting[i] = p
}

// push keeps a reading unless it is too close to the one before. A missing
// reading is none: the last one ages.
func (s *TemperatureState) push(at int64, value, limit float64) {
	if math.IsNaN(value) {
		return
	}
	r := Reading{At: at, Value: value}
	if n := len(s.Readings); n > 0 {
		last := s.Readings[n-1]
		if at < last.At+readingSpacing {
			return
		}
		r.Fast = math.Abs(value-last.Value) > limit*float64(at-last.At)/1e9
		if n == keptReadings {
			copy(s.Readings, s.Readings[1:])
			s.Readings = s.Readings[:n-1]
		}
	}
	s.Readings = append(s.Readings, r)
}
