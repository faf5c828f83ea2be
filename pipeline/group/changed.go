package group

import (
	"maps"
	"slices"
)

// Changed are the names of what has other constants after a change of a test file,
// by kind: "channel", "temperature", "rosette" and so on, as Differences says them.
// A name may be of several kinds.
func Changed(before, after []*Plan) (map[string][]string, error) {
	was, err := describe(before)
	if err != nil {
		return nil, err
	}
	is, err := describe(after)
	if err != nil {
		return nil, err
	}
	all := map[string][]string{}
	for _, t := range both(was, is) {
		if !maps.Equal(was[t], is[t]) && !slices.Contains(all[t.kind], t.name) { // a channel that has another lot is twice in there
			all[t.kind] = append(all[t.kind], t.name)
		}
	}
	return all, nil
}
