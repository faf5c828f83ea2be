package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"sort"
	"time"

	"glueline/pipeline/cycles"
	"glueline/pipeline/event"
	"glueline/pipeline/follow"
	"glueline/pipeline/group"
	"glueline/pipeline/steps"
	"glueline/pipeline/testfile"
	"glueline/sinks/segment"
)

// passes is how often package follow reads everything.
const passes = 2

// bytes is how long all files are together.
func (r *results) bytes() (n int64) {
	for _, g := range r.groups {
		for _, f := range g.files {
			n += f.Bytes
		}
	}
	return n
}

// fromTest is what only a test file knows, and no segment.
type fromTest struct {
	curves     map[string]cycles.Curve // by channel
	excitation map[string]string       // the source whose measured excitation an auxiliary quantity is, by its name
}

func readFromTest(path string) (*fromTest, error) {
	t, err := testfile.Load(path)
	if err != nil {
		return nil, err
	}
	known := &fromTest{curves: map[string]cycles.Curve{}, excitation: map[string]string{}}
	for _, name := range t.Channels.Names() {
		curve, ok, err := cycles.CurveOf(t, name)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", path, err)
		}
		if ok {
			known.curves[name] = curve
		}
	}
	for _, s := range t.Sources.Entries {
		for _, a := range t.Auxiliary.Entries {
			if in := s.Value.ExcitationIn.Text; in != "" && a.Value.Input.Text == s.Name+"/"+in {
				known.excitation[a.Name] = s.Name
			}
		}
	}
	return known, nil
}

// newestKept returns the path of the test file that a data folder goes by: that of
// its newest change, or else the one that was kept last; "" for none.
func newestKept(data string, r *results) string {
	for _, g := range r.groups {
		for _, e := range slices.Backward(g.events) {
			if e.Event != event.Calibration {
				continue
			}
			path := filepath.Join(data, keptFolder, filepath.Base(e.Digest), keptName)
			if _, err := os.Stat(path); err == nil {
				return path
			}
		}
	}
	paths, err := filepath.Glob(filepath.Join(data, keptFolder, "*", keptName))
	if err != nil {
		return "" // a name with signs of a pattern
	}
	newest, at := "", int64(0)
	for _, path := range paths {
		if info, err := os.Stat(path); err == nil && (newest == "" || info.ModTime().UnixNano() > at) {
			newest, at = path, info.ModTime().UnixNano()
		}
	}
	return newest
}

// toFollow is what package follow takes of a group. progress is told of the bytes
// of every file that was gone through.
func (r *results) toFollow(ctx context.Context, g *groupResults, known *fromTest, constants *constantsWatch, progress func(bytes int64)) (*follow.Input, error) {
	in := &follow.Input{Events: g.events, Curves: known.curves}
	var err error
	if in.Channels, err = r.newestConstants(g); err != nil {
		return nil, err
	}
	if in.Zeros, err = r.zerosInForce(g); err != nil {
		return nil, err
	}
	in.Batches = func(visit func(*follow.Batch)) error {
		constants.begin()
		for _, other := range r.groups {
			for _, f := range other.files {
				if err := r.follow(ctx, f, other == g, known, constants, visit); err != nil {
					return err
				}
				progress(f.Bytes)
			}
		}
		return nil
	}
	return in, nil
}

// constantsWatch finds channels whose constants became others from one file to the
// next. Strain on both sides is not the same strain, and a zero or a slope that
// moves there may be no more than that.
type constantsWatch struct {
	text    map[string]string
	last    map[string]group.ChannelConstants
	changed map[string]time.Time // newest change by channel
}

// begin forgets what the way through the files before saw; it saw the same.
func (w *constantsWatch) begin() {
	w.text, w.last = map[string]string{}, map[string]group.ChannelConstants{}
	if w.changed == nil {
		w.changed = map[string]time.Time{}
	}
}

// see takes the constants of a channel's file that begins at a time. Another wire,
// since a gauge was replaced, is no change: what serves the channel then is.
func (w *constantsWatch) see(channel, text string, at int64) error {
	if w.text[channel] == text {
		return nil
	}
	c, err := group.ReadConstants(text)
	if err != nil {
		return err
	}
	before, known := w.last[channel]
	w.text[channel], w.last[channel] = text, c
	if was, is := before.At(at), c.At(at); known && was != nil && is != nil && !reflect.DeepEqual(was.Constants, is.Constants) {
		w.changed[channel] = time.Unix(0, at).UTC()
	}
	return nil
}

// newestConstants are the constants of a group's channels as they stand in their
// newest files: the wires of earlier ones are in them.
func (r *results) newestConstants(g *groupResults) ([]group.ChannelConstants, error) {
	newest := slices.Clone(g.channels)
	found := map[string]bool{}
	for _, f := range slices.Backward(g.files) {
		if len(found) == len(newest) {
			break
		}
		s, err := segment.ReadCommitted(r.dir, f)
		if err != nil {
			return nil, err
		}
		for _, field := range s.Fields[2:] {
			text, of := metadata(field, "constants"), metadata(field, "of")
			at := slices.IndexFunc(newest, func(c group.ChannelConstants) bool { return c.Name == of })
			if text == "" || at < 0 || found[of] {
				continue
			}
			found[of] = true
			if newest[at], err = group.ReadConstants(text); err != nil {
				return nil, errors.Join(fmt.Errorf("%s: %w", f.Name, err), s.Close())
			}
		}
		if err := s.Close(); err != nil {
			return nil, err
		}
	}
	return newest, nil
}

// zerosInForce are the zeros that rows of a group are counted from, in the order
// of the records: those in force at the end of a cut, and those that were until
// another took their place within it.
func (r *results) zerosInForce(g *groupResults) ([]steps.ZeroAt, error) {
	paths, err := filepath.Glob(filepath.Join(r.dir, "*.commit.json"))
	if err != nil {
		return nil, err
	}
	sort.Strings(paths)
	var all []steps.ZeroAt
	newest := map[string]steps.ZeroAt{}
	add := func(z segment.Zero) {
		at := steps.ZeroAt{Channel: z.Channel, From: z.From, To: z.To, Zero: z.OfGroup().Counted()}
		if newest[z.Channel] != at { // else it is in force since the cut before
			newest[z.Channel] = at
			all = append(all, at)
		}
	}
	for _, path := range paths {
		record, err := segment.ReadCommit(path)
		if err != nil {
			return nil, err
		}
		if record.Group != g.name {
			continue
		}
		for _, z := range record.OtherZeros {
			if group.Standing(z.Standing) == group.Replaced {
				add(z)
			}
		}
		for _, z := range record.Zeros {
			add(z)
		}
	}
	return all, nil
}

// follow hands out the batches of one segment: strain and temperatures of the
// group's own, the load and the air of any.
func (r *results) follow(ctx context.Context, f segment.File, own bool, known *fromTest, constants *constantsWatch, visit func(*follow.Batch)) error {
	s, err := segment.ReadCommitted(r.dir, f)
	if err != nil {
		return err
	}
	defer s.Close()
	b := follow.Batch{}
	for _, m := range s.Metadata {
		if m[0] == "source" {
			b.Source = m[1]
		}
	}
	flags := map[string]int{}
	for i, field := range s.Fields[2:] {
		if field.Kind == segment.Flags {
			flags[metadata(field, "of")] = i
		}
	}
	var values, masks []int // where each column's are; -1 for no flags
	for i, field := range s.Fields[2:] {
		c, mask := follow.Column{Name: metadata(field, "of")}, -1
		switch quantity := group.Quantity(metadata(field, "quantity")); {
		case quantity == group.Auxiliary && c.Name == r.load:
			c.Kind = follow.Load
		case quantity == group.Auxiliary && metadata(field, "note") == "humidity":
			c.Kind = follow.Humidity
		case quantity == group.Auxiliary && known.excitation[c.Name] == b.Source && b.Source != "":
			c.Kind = follow.Excitation
		case quantity == group.Temperature && own:
			c.Kind = follow.Temperature
		case (quantity == group.Strain || quantity == group.Shear || quantity == group.Indicated) && own:
			at, ok := flags[c.Name]
			if !ok {
				return fmt.Errorf("%s: %w: no flags of channel %s", f.Name, segment.ErrDamaged, c.Name)
			}
			mask = at
			if err := constants.see(c.Name, metadata(field, "constants"), f.FirstTime); err != nil {
				return fmt.Errorf("%s: %w", f.Name, err)
			}
		default:
			continue
		}
		b.Columns, values, masks = append(b.Columns, c), append(values, i), append(masks, mask)
	}
	if len(b.Columns) == 0 {
		return nil
	}
	for {
		if err := ctx.Err(); err != nil {
			return errInterrupted
		}
		read, err := s.Next()
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
		b.Time = read.Time
		for i := range b.Columns {
			b.Columns[i].Value = read.Columns[values[i]].Float
			if masks[i] >= 0 {
				b.Columns[i].Flags = read.Columns[masks[i]].Flags
			}
		}
		visit(&b)
	}
}
