package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"glueline/pipeline/printable"
	"glueline/sinks/compare"
	"glueline/sinks/compare/plot"
)

// plots draws the columns that differ into a folder.
func (c *comparison) plots(dir string) error {
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return fmt.Errorf("plots: %w", err)
	}
	used := map[string]bool{}
	for _, x := range c.result.Columns {
		if !x.Whole.Differs() {
			continue
		}
		chart := c.chart(x)
		name := fileNameOf(nameOf(x))
		for n := 2; used[name]; n++ {
			name = fmt.Sprintf("%s_%d", fileNameOf(x.Name), n)
		}
		used[name] = true
		if err := errors.Join(drawn(filepath.Join(dir, name+".svg"), chart.WriteSVG), drawn(filepath.Join(dir, name+".png"), chart.WritePNG)); err != nil {
			return err
		}
	}
	return nil
}

// chart is a column in both sides, and their difference below.
func (c *comparison) chart(x *compare.Column) *plot.Chart {
	unit, scale, _ := shownUnit(x.Unit)
	bins := func(of func(*compare.Bin) compare.Extremes) []compare.Extremes {
		all := make([]compare.Extremes, len(x.Trace))
		for i := range x.Trace {
			all[i] = of(&x.Trace[i])
		}
		return all
	}
	return &plot.Chart{
		Title: nameOf(x), From: c.span.From, To: c.span.To,
		Panels: []plot.Panel{
			{Label: unit, Scale: scale, Curves: []plot.Curve{
				{Name: legend("A", c.a), Bins: bins(func(b *compare.Bin) compare.Extremes { return b.A })},
				{Name: legend("B", c.b), Bins: bins(func(b *compare.Bin) compare.Extremes { return b.B })},
			}},
			{Label: "B less A, " + unit, Scale: scale, Curves: []plot.Curve{
				{Bins: bins(func(b *compare.Bin) compare.Extremes { return b.Difference })},
			}},
		},
	}
}

// legend names a side in few letters.
func legend(name string, side *reductionSide) string {
	return fmt.Sprintf("%s (%s)", name, printable.Text(filepath.Base(side.results.dir)))
}

func drawn(path string, draw func(io.Writer) error) (err error) {
	f, err := os.Create(path)
	if err != nil {
		return fmt.Errorf("plots: %w", err)
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	if err := draw(f); err != nil {
		return fmt.Errorf("%s: %w", path, err)
	}
	return nil
}

// fileNameOf is a name with what some file system refuses, or a shell takes for
// something else, made to _.
func fileNameOf(name string) string {
	return strings.Map(func(r rune) rune {
		switch {
		case r >= 'a' && r <= 'z', r >= 'A' && r <= 'Z', r >= '0' && r <= '9', r == '-', r == '.', r > 0xa0:
			return r
		}
		return '_'
	}, name)
}
