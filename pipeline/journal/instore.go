package journal

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
)

// InStore looks into the folder of an embedded server that does not run, and says
// whether it holds a journal of a test, and of which other tests. Nothing is made
// there; a folder that is not there holds none.
func InStore(dir, test string) (held bool, others []string, err error) {
	accounts, err := os.ReadDir(filepath.Join(dir, "jetstream"))
	if err != nil && !os.IsNotExist(err) {
		return false, nil, fmt.Errorf("look into the journal's folder: %w", err)
	}
	for _, account := range accounts {
		streams, err := os.ReadDir(filepath.Join(dir, "jetstream", account.Name(), "streams"))
		if err != nil && !os.IsNotExist(err) {
			return false, nil, fmt.Errorf("look into the journal's folder: %w", err)
		}
		for _, stream := range streams {
			parts := strings.Split(stream.Name(), "~")
			if len(parts) != 3 || parts[0] != "glueline" {
				continue // no journal, or what stands beside one
			}
			name, whole := untoken(parts[1])
			if !whole {
				name = parts[1] // a long name, of which only this is known
			}
			switch {
			case parts[1] == token(test):
				held = true
			case !slices.Contains(others, name):
				others = append(others, name)
			}
		}
	}
	slices.Sort(others)
	return held, others, nil
}
