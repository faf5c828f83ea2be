package main

import (
	"fmt"

	"glueline/pipeline/testfile"
)

type schemaCommand struct{}

// Run prints the JSON Schema of test files, for editors that complete and check
// while one types.
func (schemaCommand) Run(s streams) error {
	text, err := testfile.Schema()
	if err != nil {
		return fmt.Errorf("make the schema: %w", err)
	}
	if _, err := s.out.Write(text); err != nil {
		return fmt.Errorf("write the schema: %w", err)
	}
	return nil
}
