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
