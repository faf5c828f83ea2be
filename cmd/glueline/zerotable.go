package main

import (
	"cmp"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"

	"glueline/pipeline/group"
)

func hasReplaced(zeros []group.ZeroInForce) bool {
	return slices.ContainsFunc(zeros, func(z group.ZeroInForce) bool { return z.Standing == group.Replaced })
}

// printZeros prints what became of every zero: a line for those of one name,
// window and fate, with how many readings they are the mean of and how far
// these lie apart.
func (r *reduction) printZeros(w io.Writer, zeros []group.ZeroInForce) {
	type line struct {
		name, kind, window, fate string
	}
	var lines []line
	channels := map[line][]group.ZeroInForce{}
	for _, z := range zeros {
		window, fate := "a value of the test file", string(z.Standing)
		if z.Record.From != math.MinInt64 {
			window = r.instant(z.Record.From)
			if z.Standing != group.Open {
				window = fmt.Sprintf("%s, %.4g s", window, float64(z.Record.To-z.Record.From)/1e9)
			}
		}
		if z.Standing == group.Replaced {
			fate += " " + r.instant(z.Until)
		}
		l := line{z.Record.Name, z.Record.Kind, window, fate}
		if channels[l] == nil {
			lines = append(lines, l)
		}
		channels[l] = append(channels[l], z)
	}
	if len(lines) == 0 {
		return
	}
	t := table{head: []string{"zero", "kind", "window", "channels", "readings", "spread um/m", "stands"},
		right: []bool{false, false, false, false, true, true, false}}
	for _, l := range lines {
		of := channels[l]
		fewest, most, spread := math.MaxInt, 0, math.NaN()
		var names []string
		for _, z := range of {
			fewest, most = min(fewest, z.Record.Raw.N), max(most, z.Record.Raw.N)
			if !(z.Noise <= spread) && !math.IsNaN(z.Noise) {
				spread = z.Noise
			}
			names = append(names, z.Channel)
		}
		readings := fmt.Sprint(most)
		if fewest != most {
			readings = fmt.Sprintf("%d to %d", fewest, most)
		}
		widest := "-"
		if !math.IsNaN(spread) {
			widest = fmt.Sprintf("%.2f", spread*1e6)
		}
		cell := strings.Join(names, " ")
		if len(names) > 2 {
			cell = fmt.Sprintf("%d channels", len(names))
		}
		t.rows = append(t.rows, []string{cmp.Or(l.name, "-"), l.kind, l.window, cell, readings, widest, l.fate})
	}
	fmt.Fprintln(w)
	t.write(w)
}
