package group

import (
	"slices"
	"strings"
	"testing"
)

// What a correction put right is undone only where it still holds and the next test
// file has what was wrong.
func TestUndoneIsWhatBecomesWrongAgain(t *testing.T) {
	edited := func(pairs ...string) []*Plan {
		text := changing
		for i := 0; i < len(pairs); i += 2 {
			if !strings.Contains(text, pairs[i]) {
				t.Fatalf("no %q", pairs[i])
			}
			text = strings.ReplaceAll(text, pairs[i], pairs[i+1])
		}
		return plansOfText(t, text)
	}
	const lot, factor, limit = "resistance: 350 ohm, gauge-factor: ", "2.08", "900 um/m"
	right := []string{lot + factor, lot + "2.14"}
	for _, c := range []struct {
		name                 string
		was, made, now, next []string // edits
		want                 []string
	}{
		{"the wrong file again", nil, right, right, nil, []string{"lot A23: gauge factor 2.14 -> 2.08: 3 channels (a, b, c)"}},
		{"the wrong file with another limit", nil, right, right, []string{limit, "700 um/m"}, []string{"lot A23: gauge factor 2.14 -> 2.08: 3 channels (a, b, c)"}},
		{"behind a change of a limit", nil, right, append([]string{limit, "700 um/m"}, right...), nil, []string{"lot A23: gauge factor 2.14 -> 2.08: 3 channels (a, b, c)"}},
		{"the right one", nil, right, right, right, nil},
		{"the right one with another limit", nil, right, right, append([]string{limit, "700 um/m"}, right...), nil},
		{"something else again", nil, right, right, []string{lot + factor, lot + "2.10"}, nil},
		{"it was changed since", nil, right, []string{lot + factor, lot + "2.10"}, nil, nil},
		{"nothing was put right", nil, nil, right, nil, nil},
		{"crossed wires were put right", []string{"node/A", "node/x", "node/B", "node/A", "node/x", "node/B"}, nil, nil,
			[]string{"node/A", "node/x", "node/B", "node/A", "node/x", "node/B"}, []string{"lot A23: no longer on node/A, gauge a: channel a", "lot A23: no longer on node/B, gauge b: channel b", "lot A23: now on node/B, gauge a: channel a", "lot A23: now on node/A, gauge b: channel b"}},
	} {
		got, err := Undone(edited(c.was...), edited(c.made...), edited(c.now...), edited(c.next...))
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		slices.Sort(got)
		slices.Sort(c.want)
		if !slices.Equal(got, c.want) {
			t.Errorf("%s: %q; want %q", c.name, got, c.want)
		}
	}
}
