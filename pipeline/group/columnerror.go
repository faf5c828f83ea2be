package group

import "fmt"

// ColumnError occurs when a source's column cannot be read as the test file
// means it, for its unit or what the test file lacks. It is an ErrFrame.
type ColumnError struct {
	Source, Column string
	Err            error
}

func (e *ColumnError) Error() string {
	return fmt.Sprintf("%v: source %s: %v", ErrFrame, e.Source, e.Err)
}

func (e *ColumnError) Unwrap() []error { return []error{ErrFrame, e.Err} }
