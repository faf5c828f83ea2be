package health

// Words for a channel of which drift says nothing.
const (
	Learning  = "learning"
	NoReading = "no reading"
)

// Channel is what is said of one channel. What is not known is null.
type Channel struct {
	Channel    string     `json:"channel"`
	Source     string     `json:"source"`
	Says       string     `json:"says"` // a cause, Learning or NoReading
	Certainty  string     `json:"certainty,omitempty"`
	Since      string     `json:"since,omitempty"`
	Moved      *float64   `json:"moved_strain"` // m/m
	Slope      *float64   `json:"slope_change"` // relative
	Noise      *float64   `json:"noise_strain"` // m/m, of idle minutes
	From       string     `json:"from,omitempty"`
	To         string     `json:"to,omitempty"`
	Minutes    int        `json:"minutes"`
	Samples    uint64     `json:"samples"`
	LeftOut    uint64     `json:"left_out"`
	Replaced   string     `json:"replaced,omitempty"`
	Constants  string     `json:"constants_changed,omitempty"` // newest time from which it was reduced by others
	Cycles     float64    `json:"cycles"`
	LoadCycles float64    `json:"load_cycles"`
	Largest    float64    `json:"largest_range_strain"`
	Damage     *float64   `json:"damage"`
	Ranked     []Cause    `json:"ranked"`
	RuledOut   []RuledOut `json:"ruled_out,omitempty"`
	Shunts     []Note     `json:"shunts,omitempty"`     // relative change of the span
	Insulation []Note     `json:"insulation,omitempty"` // ohm
}

// Note is one value that somebody took.
type Note struct {
	Time  string  `json:"time"`
	Value float64 `json:"value"`
}

// Cause is one opinion, with its evidence.
type Cause struct {
	Cause     string   `json:"cause"`
	Certainty string   `json:"certainty"`
	Weight    float64  `json:"weight"`
	For       []string `json:"for"`
	Against   []string `json:"against"`
	Decide    string   `json:"decide"`
}

// RuledOut is a cause that a person took off the list.
type RuledOut struct {
	Cause string `json:"cause"`
	Who   string `json:"who"`
	Why   string `json:"why"`
}

// Residual is what a pair or a rosette leaves over. What is not known is null.
type Residual struct {
	Name     string   `json:"name"`
	Form     string   `json:"form"`
	Terms    []Term   `json:"terms"`
	Minutes  int      `json:"minutes"`
	Mean     *float64 `json:"mean_strain"`
	SD       *float64 `json:"sd_strain"`
	Newest   *float64 `json:"newest_hour_strain"`
	Limit    *float64 `json:"limit_strain"`
	Beyond   string   `json:"beyond_since,omitempty"`
	To       string   `json:"to,omitempty"`
	Suspects []string `json:"suspects,omitempty"` // whom a third tells of
}

// Term is a channel's part of the sum that is left over.
type Term struct {
	Channel string  `json:"channel"`
	Factor  float64 `json:"factor"`
}
