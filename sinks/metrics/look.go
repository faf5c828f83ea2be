package metrics

import "time"

// Look is what the service knows beside the rows, at one moment.
type Look struct {
	Test     string // name of the test
	Digest   string // of the test file in force
	Version  string // of the program
	Began    time.Time
	Ready    bool
	Reloaded time.Time // when the test file was last asked to be read anew; zero: never
	ReloadOK bool      // whether that succeeded, or nobody asked
	Disks    []Disk
	Groups   []Group
}

// Disk is a folder and what is free on its disk.
type Disk struct {
	Folder string // data or journal
	Free   uint64 // bytes
}

// Group is a group at work.
type Group struct {
	Name     string
	Channels map[string]Channel // static facts by the channel's name
	Sink     *Sink

	Doing       string // one of the words of Doings
	Frames      uint64
	Quarantined uint64
	Repeated    uint64
	Commits     uint64
	LagMessages uint64
	Lag         time.Duration // age of the newest message taken while others wait; else 0
	Journal     *Journal      // nil: it does not answer
	Health      *Health       // nil: not looked at yet
}

// Journal is what a group's journal holds.
type Journal struct {
	Bytes int64
	Limit int64 // bytes
}

// Channel holds the static facts of a channel, as the test file words them.
type Channel struct {
	Position string
	Material string
	Bridge   string
}

// Health is what the newest health file of a group says.
type Health struct {
	UpTo      time.Time // of the newest row that is in it; zero before the first file
	Failed    bool      // it goes no further for an error
	Channels  map[string]ChannelHealth
	Residuals []Residual
}

// ChannelHealth is what is said of a channel. Words are of small sets: a cause or
// how far the channel is from having one, and how sure that is, "" where nothing
// is named.
type ChannelHealth struct {
	Says      string
	Certainty string
	Since     time.Time // zero: it is not said to move
	Drift     float64   // m/m, how far its zero moved; NaN: not known
	Damage    float64   // 1 for the life of its S-N curve; NaN: it has none
}

// Residual is what a declared pair or the grids of a rosette leave over.
type Residual struct {
	Name, Form string
	Channels   []string // each once
	Newest     float64  // m/m, in the newest hour; NaN: not known
	Limit      float64  // m/m; NaN: not known
}
