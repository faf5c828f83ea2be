package verify

import "fmt"

// Kind is a sort of damage.
type Kind string

// The kinds of damage.
const (
	RecordMissing    Kind = "commit record missing"
	RecordUnreadable Kind = "commit record damaged"
	RecordForeign    Kind = "commit record of something else"
	RecordDoubled    Kind = "commit record doubled"
	Chain            Kind = "chain of records broken"
	FileMissing      Kind = "file missing"
	FileUnlisted     Kind = "file not listed"
	FileLength       Kind = "file of another length"
	FileChanged      Kind = "file changed"
	FileSwapped      Kind = "file exchanged"
	FileForeign      Kind = "file of something else"
	Rows             Kind = "rows"
	Schema           Kind = "schema"
	Constants        Kind = "constants"
	JournalReplaced  Kind = "another journal"
	JournalRange     Kind = "journal sequences"
	FrameDropped     Kind = "frame dropped"
	FrameDoubled     Kind = "frame doubled"
	Samples          Kind = "sample counter"
	Result           Kind = "result differs"
	Health           Kind = "health file"
)

// Damage is one thing that is not as it was written.
type Damage struct {
	Kind  Kind
	File  string // below the folder that was given, for example raw/main.00000003.commit.json
	Found string // in words
	Do    string // what to do about it
}

func (d Damage) String() string {
	return fmt.Sprintf("%s: %s: %s; %s", d.File, d.Kind, d.Found, d.Do)
}

// Report is what was found.
type Report struct {
	Groups  []Group
	Damages []Damage
	Notes   []string // that are no damage, but worth knowing
}

// Group is what one folder holds of one group.
type Group struct {
	Name       string
	Folder     string
	Cuts       int // with a record
	Files      int // that are as they were written
	Rows       int64
	Bytes      int64
	FirstTime  int64  // ns since 1970-01-01 UTC, over all files; 0 without rows
	LastTime   int64  // ns
	FirstSeq   uint64 // of the journal, raw archives only
	LastSeq    uint64
	Recomputed int // cuts that were reduced again
	Damages    int
}
