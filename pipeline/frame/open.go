package frame

// What raw files call their parts.
const (
	TimeColumn = "time"   // the time column of a raw Arrow file, and of a CSV file that declares no other
	SourceKey  = "source" // schema metadata key, and word in a CSV comment, that names the source
	UnitKey    = "unit"   // field metadata key of an input's unit
)
