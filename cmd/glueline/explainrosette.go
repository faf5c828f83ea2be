package main

import (
	"context"
	"fmt"
	"io"
	"math"
	"path/filepath"
	"strings"
	"time"

	"glueline/pipeline/channel"
	"glueline/pipeline/event"
	"glueline/pipeline/group"
	"glueline/pipeline/printable"
	"glueline/pipeline/testfile"
	"glueline/reduce"
	"glueline/sinks/archive"
)

func (p *place) ofRosette() bool {
	return len(p.values) > 0 && p.values[0].quantity == group.Rosette
}

// rosetteLineage is what a rosette's values are made of: its grids, each with a
// lineage of its own.
type rosetteLineage struct {
	Rosette string     `json:"rosette"`
	Time    time.Time  `json:"time"`
	Asked   time.Time  `json:"asked"`
	Flags   []string   `json:"flags"`
	Form    string     `json:"form"`
	From    string     `json:"from"` // line of the test file
	Grids   []gridOf   `json:"grids"`
	Values  []valueOf  `json:"values"` // as the segment holds them
	Draft   string     `json:"draft,omitempty"`
	rosette [2]float64 // e1 and e2, made again
}

type gridOf struct {
	Angle   float64  `json:"angle_rad"` // counterclockwise from the article's x axis
	Kt      float64  `json:"transverse_sensitivity"`
	Lineage *lineage `json:"lineage"`
}

// rosette explains a rosette's row by its grids, and makes its principal strains
// again from what these read.
func (e *explainedRow) rosette(ctx context.Context, name string, r *testfile.Rosette) (*rosetteLineage, error) {
	p := e.place
	out := &rosetteLineage{Rosette: name, Time: time.Unix(0, p.time).UTC(), Asked: time.Unix(0, e.asked).UTC(), Flags: p.mask.Names(),
		Form: r.Form.Text, From: fmt.Sprintf("%s:%d", filepath.Base(r.Form.Mark.File), r.Form.Mark.Line), Values: p.values, Draft: e.draft}
	calibration, _, err := e.plan.Calibration(p.source)
	if err != nil {
		return nil, err
	}
	var indicated, angles, transverse []float64
	beam := math.NaN()
	for _, known := range calibration.Rosettes {
		if known.Name != name {
			continue
		}
		for i, grid := range known.Grids {
			at, err := nearestRow(e.dir, p.file, grid, p.time, map[string]bool{})
			if err != nil {
				return nil, err
			}
			if at == nil || at.sample != p.sample {
				return nil, fmt.Errorf("%s has no grid %s at %s", p.file.Name, grid, stamp(p.time))
			}
			at.record = p.record
			a, _, err := e.account(ctx, at, grid)
			if err != nil {
				return nil, err
			}
			l, err := e.channel(ctx, grid, at)
			if err != nil {
				return nil, err
			}
			g := gridOf{Angle: float64(known.Angles[i]), Kt: math.NaN(), Lineage: l}
			if a.Channel != nil {
				g.Kt, beam = a.Channel.Transverse, a.Channel.CalibrationPoisson
			}
			out.Grids = append(out.Grids, g)
			indicated, angles, transverse = append(indicated, at.strain), append(angles, g.Angle), append(transverse, g.Kt)
		}
	}
	if beam != beam {
		return out, nil // without a zero there is nothing to make again
	}
	solver, err := reduce.NewRosette(angles, transverse, beam)
	if err != nil {
		return nil, err
	}
	strain, _ := solver.Strain(indicated)
	principal := strain.Principal()
	out.rosette = [2]float64{principal.Max, principal.Min}
	for _, v := range out.Values {
		for i, column := range []string{" e1 [", " e2 ["} {
			if strings.Contains(v.Column, column) && v.Value != nil && !(math.Abs(*v.Value-out.rosette[i]) <= 1e-12) {
				return nil, fmt.Errorf("%s at %s: the segment holds %s, but from its grids %w: %s", v.Column, stamp(p.time), exact(*v.Value), errOther, exact(out.rosette[i]))
			}
		}
	}
	return out, nil
}

func (l *rosetteLineage) print(w io.Writer) {
	when := l.Time.Format(time.RFC3339Nano)
	fmt.Fprintf(w, "rosette %s (%s, %s) at %s\n", printable.Text(l.Rosette), l.Form, l.From, when)
	if !l.Asked.Equal(l.Time) {
		fmt.Fprintf(w, "(the sample nearest to %s)\n", l.Asked.Format(time.RFC3339Nano))
	}
	if len(l.Flags) > 0 {
		fmt.Fprintf(w, "flags of any of its grids: %s\n", strings.Join(l.Flags, ", "))
	}
	fmt.Fprintln(w)
	t := table{head: []string{"grid", "angle deg", "transverse", "indicated um/m"}, right: []bool{false, true, true, true}}
	for _, g := range l.Grids {
		value := "none"
		if g.Lineage.Strain != nil {
			value = um(*g.Lineage.Strain, 3)
		}
		t.rows = append(t.rows, []string{g.Lineage.Channel, digits(g.Angle*180/math.Pi, 2), digits(g.Kt*100, 2) + " %", value})
	}
	t.write(w)
	fmt.Fprintln(w, "\nSolved for the strain in the surface, transverse sensitivity of each grid taken out there:")
	t = table{head: []string{"column", "value", "unit", "meaning"}, right: []bool{false, true, false, false}}
	for _, v := range l.Values {
		unit, scale, decimals := shownUnit(v.Unit)
		text := "none"
		if v.Value != nil {
			text = digits(*v.Value*scale, decimals+2)
		}
		t.rows = append(t.rows, []string{strings.TrimSuffix(v.Column, " ["+v.Unit+"]"), text, unit, v.Note})
	}
	t.write(w)
	fmt.Fprintf(w, "\nWhat a grid's strain is made of: glueline explain DATA GRID %s\nStrain is the change since the zero; dead load, residual and assembly stress are not in it.\nGlueline monitors; it is not a protective system.\n", when)
	if l.Draft != "" {
		fmt.Fprintln(w, l.Draft)
	}
}

// explainStress says what the stress of a channel is made of, and that it is so.
func (l *lineage) explainStress(p *place, a *group.Account) error {
	for _, v := range p.values {
		if v.quantity != group.Stress && v.quantity != group.ShearStress || v.Value == nil || l.Strain == nil || a.Channel == nil {
			continue
		}
		c := &a.Channel.Constants
		again := c.Stiffness() * *l.Strain
		l.Stress, l.StressFrom = v.Value, fmt.Sprintf("the strain times Young's modulus %s GPa, as if there were stress in its direction alone", exact(c.Young/1e9))
		switch {
		case v.quantity == group.ShearStress:
			l.StressFrom = fmt.Sprintf("the shear strain times E/(2(1 + nu)), E %s GPa, nu %s", exact(c.Young/1e9), exact(c.Poisson))
		case c.Mode == channel.Ratio:
			l.StressFrom = fmt.Sprintf("plane stress, the strain across it being %s of it; E %s GPa, nu %s", exact(c.StrainRatio), exact(c.Young/1e9), exact(c.Poisson))
		}
		if !(math.Abs(again-*v.Value) <= 1e-9*math.Abs(again)+1e-3) {
			return fmt.Errorf("%s at %s: the segment holds %s Pa, but %w: %s Pa", v.Column, stamp(p.time), exact(*v.Value), errOther, exact(again))
		}
	}
	return nil
}

// zeroFrom finds where a zero was said: the place of its end in the journal, or the
// line of the test file.
func (e *explainedRow) zeroFrom(name string, a *group.Account) (string, error) {
	z := &a.Zero.Record
	if a.Channel == nil {
		return "", nil
	}
	if z.From == math.MinInt64 || z.Stated {
		stated := e.test.About.Zero
		if c, ok := e.test.Channels.Get(name); ok && c.Zero.Given {
			stated = c.Zero
		}
		if !stated.Given {
			return "", nil
		}
		return fmt.Sprintf("%s:%d, zero", filepath.Base(stated.Mark.File), stated.Mark.Line), nil
	}
	if e.files != nil {
		return e.files.zeroFrom(z), nil
	}
	for cut := uint64(0); cut <= e.record.Cut; cut++ {
		record, err := archive.Read(e.raw, e.record.Group, cut)
		if err != nil {
			return "", err
		}
		for i := range record.Events {
			x := &record.Events[i]
			if !endsZero(&x.Event, z) {
				continue
			}
			at := sequenceOf(record, x.Place)
			sequence := fmt.Sprint(at[0])
			if at[0] != at[1] {
				sequence += fmt.Sprintf(" to %d", at[1])
			}
			return fmt.Sprintf("the event that ended it, journal message %s (cut %d), by %s", sequence, cut, x.Event.Who), nil
		}
	}
	return "", nil
}

func endsZero(x *event.Event, z *group.ZeroRecord) bool {
	return x.Event == "zero" && x.State == "end" && x.Name == z.Name && x.Time.UnixNano() == z.To
}
