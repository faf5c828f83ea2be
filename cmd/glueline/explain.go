package main

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"path/filepath"
	"sort"
	"strings"
	"time"

	"glueline/pipeline/event"
	"glueline/pipeline/flag"
	"glueline/pipeline/group"
	"glueline/pipeline/origin"
	"glueline/pipeline/printable"
	"glueline/pipeline/shares"
	"glueline/pipeline/testfile"
	"glueline/pipeline/worker"
	"glueline/sinks/archive"
	"glueline/sinks/revise"
	"glueline/sinks/segment"
)

type explainCommand struct {
	Dir     string   `arg:"" help:"The data folder of a service, one of its revisions, data/r1, or a results folder of reduce."`
	Channel string   `arg:"" help:"The channel, or a rosette."`
	Time    string   `arg:"" help:"When, for example 2026-05-04T06:00:00.25Z; the sample nearest to it is explained."`
	Test    string   `help:"Test file that the value was made with; by default the one that serve kept in the data folder."`
	Raw     []string `sep:"none" placeholder:"SOURCE=FILE" help:"Of a results folder of reduce: a raw file that it was made from, as for reduce; once for each."`
	Events  string   `short:"e" help:"And the events that it was made with."`
	JSON    bool     `name:"json" help:"For programs: strain in m/m, ratios in V/V."`
}

// Run says what one value is made of, and where each part came from.
func (c *explainCommand) Run(ctx context.Context, s streams) error {
	at, err := instantOf(c.Time)
	if err != nil {
		return err
	}
	e, err := c.find(ctx, at)
	if err != nil {
		return err
	}
	var said interface{ print(io.Writer) }
	if r, ok := e.test.Rosettes.Get(c.Channel); ok && e.place.ofRosette() {
		said, err = e.rosette(ctx, c.Channel, r)
	} else {
		said, err = e.channel(ctx, c.Channel, e.place)
	}
	if err != nil {
		return err
	}
	if c.JSON {
		out := json.NewEncoder(s.out)
		out.SetIndent("", "  ")
		return out.Encode(said)
	}
	said.print(s.out)
	return nil
}

// instantOf reads an instant that somebody typed. One without a zone means
// something else on every machine, and is refused.
func instantOf(text string) (int64, error) {
	t, err := time.Parse(time.RFC3339Nano, strings.Replace(text, " ", "T", 1))
	if err != nil || t.Year() < 1678 || t.Year() > 2261 { // else it has no nanoseconds since 1970
		return 0, fmt.Errorf("%q is no instant; write it with its zone, for example 2026-05-04T06:00:00.25Z or 2026-05-04T08:00:00+02:00", text)
	}
	return t.UnixNano(), nil
}

// lineage is what one value is made of.
type lineage struct {
	Channel     string            `json:"channel"`
	Time        time.Time         `json:"time"`
	Asked       time.Time         `json:"asked"`
	Strain      *float64          `json:"strain"`              // as the segment holds it; null where there is none
	Stress      *float64          `json:"stress_pa,omitempty"` // as the segment holds it
	StressFrom  string            `json:"stress_from,omitempty"`
	Flags       []string          `json:"flags"`
	Segment     string            `json:"segment"`
	Sample      uint64            `json:"sample"`
	Group       string            `json:"group"`
	Cut         uint64            `json:"cut"`
	Journal     string            `json:"journal"`
	Sequence    [2]uint64         `json:"journal_sequence"` // from, to: where messages were refused or repeated it is not known to the one
	Source      string            `json:"source"`
	Boot        string            `json:"boot"`
	Frame       uint64            `json:"frame"`
	Row         int               `json:"row"`
	Input       string            `json:"input"`
	Gauge       string            `json:"gauge"`
	Reading     *float64          `json:"reading"`
	Unit        string            `json:"unit"`
	Excitation  *float64          `json:"excitation_v,omitempty"`
	Ratio       *float64          `json:"ratio_v_per_v"`
	Temperature usedTemperature   `json:"temperature"`
	Leads       usedTemperature   `json:"lead_temperature"`
	Zero        *segment.Zero     `json:"zero"`
	ZeroFrom    string            `json:"zero_from,omitempty"` // the event, by its place, or the line of the test file
	Span        float64           `json:"span"`
	SpanShare   *float64          `json:"span_share,omitempty"` // what the span adds within the first share
	Shares      []shareOf         `json:"shares"`
	Constants   []origin.Constant `json:"constants"`
	Draft       string            `json:"draft,omitempty"` // said of a revision that is not released

	flags flag.Mask
}

type usedTemperature struct {
	Name  string     `json:"name,omitempty"`
	Value *float64   `json:"degc"`
	At    *time.Time `json:"read_at,omitempty"`
}

type shareOf struct {
	Effect string  `json:"effect"`
	Share  float64 `json:"share"`
	Sum    float64 `json:"so_far"`
}

// place is a row of a segment.
type place struct {
	record segment.CommitRecord
	file   segment.File
	source string
	digest string // of the source's constants
	time   int64
	sample uint64
	strain float64
	mask   flag.Mask
	values []valueOf // all columns of the channel or rosette, in their order
}

// valueOf is what one column of a row holds.
type valueOf struct {
	Column   string   `json:"column"`
	Unit     string   `json:"unit"`
	Value    *float64 `json:"value"`
	Note     string   `json:"note,omitempty"`
	quantity group.Quantity
}

// find finds the row that is asked for, and what made it.
func (c *explainCommand) find(ctx context.Context, at int64) (*explainedRow, error) {
	data, name, err := revisionOf(c.Dir)
	if err != nil {
		return nil, err
	}
	if name == "" || !isFolder(filepath.Join(data, rawFolder)) {
		return c.findInResults(ctx, at)
	}
	if len(c.Raw) > 0 || c.Events != "" {
		return nil, fmt.Errorf("%s keeps its own raw readings and events: leave --raw and --events out", c.Dir)
	}
	paths, err := filepath.Glob(filepath.Join(data, name, "*.commit.json"))
	if err != nil {
		return nil, err
	}
	sort.Strings(paths)
	return c.findAmong(ctx, data, name, paths, at)
}

// findAmong finds it among the commit records of some paths.
func (c *explainCommand) findAmong(ctx context.Context, data, name string, paths []string, at int64) (*explainedRow, error) {
	raw := filepath.Join(data, rawFolder)
	p, err := findRow(ctx, filepath.Join(data, name), paths, c.Channel, at)
	if err != nil {
		return nil, err
	}
	e := &explainedRow{data: data, dir: filepath.Join(data, name), raw: raw, asked: at, place: p}
	if e.test, e.plan, err = c.madeBy(data, p); err != nil {
		return nil, err
	}
	if e.record, err = archive.Read(raw, p.record.Group, p.record.Cut); err != nil {
		return nil, err
	}
	if p.record.Cut > 0 {
		previous, err := archive.Read(raw, p.record.Group, p.record.Cut-1)
		if err != nil {
			return nil, err
		}
		if e.before, err = revise.StateBehind(e.dir, previous); err != nil {
			return nil, err
		}
	}
	e.draft, e.told = saysDraft(c.Dir), c.Test != ""
	if part, err := unfinishedOf(e.dir); err != nil {
		return nil, err
	} else if part != nil {
		e.draft = part.Error()
	}
	return e, nil
}

// lineageFor explains one value of a channel.
func lineageFor(ctx context.Context, c *explainCommand, at int64) (*lineage, error) {
	e, err := c.find(ctx, at)
	if err != nil {
		return nil, err
	}
	return e.ofChannel(ctx, c.Channel)
}

// lineageAmong is lineageFor where it is known which commit records of a revision's
// folder can have the row.
func lineageAmong(ctx context.Context, c *explainCommand, dir string, paths []string, at int64) (*lineage, error) {
	e, err := c.findAmong(ctx, c.Dir, filepath.Base(dir), paths, at)
	if err != nil {
		return nil, err
	}
	return e.ofChannel(ctx, c.Channel)
}

func (e *explainedRow) ofChannel(ctx context.Context, name string) (*lineage, error) {
	if e.place.ofRosette() {
		return nil, fmt.Errorf("%s is a rosette: ask for one of its grids", name)
	}
	return e.channel(ctx, name, e.place)
}

// explainedRow is a row that is being explained.
type explainedRow struct {
	data, dir, raw string
	asked          int64
	place          *place
	test           *testfile.Test
	plan           *group.Plan
	record         *archive.Record
	before         json.RawMessage // state at the beginning of its cut
	files          *rawFiles       // that a results folder was made from; nil for a data folder
	draft          string
	told           bool // the test file was given
}

// channel is the lineage of a channel at the row.
func (e *explainedRow) channel(ctx context.Context, name string, p *place) (*lineage, error) {
	a, frame, err := e.account(ctx, p, name)
	if err != nil {
		return nil, err
	}
	l, err := lineageOf(name, e.asked, p, e.record, a, frame, e.test)
	if err != nil {
		return nil, err
	}
	l.Draft = e.draft
	if l.ZeroFrom, err = e.zeroFrom(name, a); err != nil {
		return nil, err
	}
	return l, l.explainStress(p, a)
}

// findRow finds the row of a channel nearest to a time, in the files of some commit
// records of a folder.
func findRow(ctx context.Context, dir string, paths []string, channel string, at int64) (*place, error) {
	var best *place
	known := map[string]bool{}
	first, last := int64(math.MaxInt64), int64(math.MinInt64)
	for _, path := range paths {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		record, err := segment.ReadCommit(path)
		if err != nil {
			return nil, err
		}
		for _, f := range record.Files {
			if f.Rows == 0 || best != nil && apart(best.time, at) <= max(f.FirstTime-at, at-f.LastTime) {
				continue // nothing in it is nearer
			}
			p, err := nearestRow(dir, f, channel, at, known)
			if err != nil {
				return nil, err
			}
			if p == nil {
				continue
			}
			p.record = record
			first, last = min(first, f.FirstTime), max(last, f.LastTime)
			if best == nil || apart(p.time, at) < apart(best.time, at) {
				best = p
			}
		}
	}
	switch {
	case best == nil && len(paths) == 0:
		return nil, nothingIn(dir)
	case best == nil:
		return nil, fmt.Errorf("no channel %q in %s; it has %s", channel, dir, some(sortedKeys(known)))
	case at < first || at > last:
		return nil, fmt.Errorf("channel %s has nothing at %s; its readings there go from %s to %s", channel, stamp(at), stamp(first), stamp(last))
	}
	return best, nil
}

func apart(a, b int64) int64 { return max(a-b, b-a) }

// nearestRow is nil for a file without the channel, whose channels it notes.
func nearestRow(dir string, f segment.File, channel string, at int64, channels map[string]bool) (*place, error) {
	s, err := segment.ReadCommitted(dir, f)
	if err != nil {
		return nil, err
	}
	defer s.Close()
	strain, flags := -1, -1
	var all []int
	for i, field := range s.Fields[2:] {
		of, quantity := metadata(field, "of"), group.Quantity(metadata(field, "quantity"))
		if metadata(field, "constants") != "" || quantity == group.Rosette {
			channels[of] = true
			if of == channel && strain < 0 {
				strain = i
			}
		}
		if of == channel && field.Kind == segment.Float {
			all = append(all, i)
		}
		if field.Kind == segment.Flags && of == channel {
			flags = i
		}
	}
	if strain < 0 || flags < 0 {
		return nil, nil
	}
	p := &place{file: f}
	for _, m := range s.Metadata {
		switch m[0] {
		case "source":
			p.source = m[1]
		case "calibration":
			p.digest = m[1]
		}
	}
	found := false
	for {
		b, err := s.Next()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, err
		}
		for row, t := range b.Time {
			if !found || apart(t, at) < apart(p.time, at) {
				found = true
				p.time, p.sample = t, b.Counter[row]
				p.strain, p.mask = b.Columns[strain].Float[row], flag.Mask(b.Columns[flags].Flags[row])
				p.values = p.values[:0]
				for _, i := range all {
					f := &s.Fields[2+i]
					p.values = append(p.values, valueOf{f.Name, f.Unit, stated(b.Columns[i].Float[row]), metadata(*f, "note"), group.Quantity(metadata(*f, "quantity"))})
				}
			}
		}
	}
	if !found {
		return nil, nil
	}
	return p, nil
}

// madeBy finds the test file whose constants a row's file was made with.
func (c *explainCommand) madeBy(data string, p *place) (*testfile.Test, *group.Plan, error) {
	paths := []string{c.Test}
	if c.Test == "" {
		var err error
		if paths, err = filepath.Glob(filepath.Join(data, keptFolder, "*", keptName)); err != nil {
			return nil, nil, err
		}
	}
	var all error
	for _, path := range paths {
		test, err := testfile.Load(path)
		if err != nil {
			all = errors.Join(all, err)
			continue
		}
		plans, err := group.Plans(test)
		if err != nil {
			all = errors.Join(all, fmt.Errorf("%s: %w", path, err))
			continue
		}
		for _, plan := range plans {
			if _, digest, err := plan.Calibration(p.source); err == nil && digest == p.digest && plan.Name == p.record.Group {
				return test, plan, nil
			}
		}
	}
	where := "none of the test files in " + filepath.Join(data, keptFolder)
	if c.Test != "" {
		where = c.Test + " does not have, so that it is not the one that made it,"
	}
	return nil, nil, errors.Join(fmt.Errorf("%s: its constants have the digest %s; %s has those; give the test file by --test", p.file.Name, p.digest, where), all)
}

// account reduces a cut again up to one sample, or everything where there is no
// archive, and returns what went into it, and the place of its frame.
func (e *explainedRow) account(ctx context.Context, p *place, channel string) (*group.Account, uint64, error) {
	if e.files != nil {
		next, end, err := e.files.open(e.test, e.plan)
		if err != nil {
			return nil, 0, err
		}
		defer end()
		a, at, err := accountOf(ctx, group.NewReducer(e.plan), nil, next, p, channel)
		if errors.Is(err, io.EOF) {
			err = fmt.Errorf("the raw files have no sample %d of source %s: they are not those that %s was made from", p.sample, p.source, e.dir)
		}
		return a, at, err
	}
	state, err := worker.GroupState(e.before)
	if err != nil {
		return nil, 0, err
	}
	plans, err := e.plans()
	if err != nil {
		return nil, 0, err
	}
	reducer := group.NewReducer(plans[0].Plan)
	if len(state) > 0 {
		at, err := plans[0].Plan.ReadState(state)
		if err != nil {
			return nil, 0, err
		}
		reducer = group.NewReducerAt(plans[0].Plan, at)
	}
	frames, err := archive.Open(e.raw, e.record)
	if err != nil {
		return nil, 0, err
	}
	defer frames.Close() // only read
	a, at, err := accountOf(ctx, reducer, plans[1:], frames.Next, p, channel)
	if errors.Is(err, io.EOF) {
		err = fmt.Errorf("the raw frames of cut %d have no sample %d of source %s; glueline verify --recompute says what is wrong", e.record.Cut, p.sample, p.source)
	}
	return a, at, err
}

// plans are those that the cut was made by: a revision may have changed them within
// it, and what the first left behind is what the second went on from.
func (e *explainedRow) plans() ([]worker.Switch, error) {
	only := []worker.Switch{{Plan: e.plan}}
	if e.told { // the test file was given in place of those that are kept
		return only, nil
	}
	name, known := filepath.Base(e.dir), keptPlans(e.data, e.record.Group)
	if into := cmp.Or(e.record.Revision, reducedFolder); name == reducedFolder || into == name {
		p, err := known(e.record.Calibration) // it came into this revision, which serve changes between cuts
		return []worker.Switch{{Plan: p}}, err
	}
	r, err := readRevision(e.data, name)
	if err != nil {
		return nil, err
	}
	var t revise.Timeline
	for _, h := range r.Groups[e.record.Group] {
		p, err := known(h.Digest)
		if err != nil {
			return nil, err
		}
		t = append(t, revise.Entry{From: h.Place, Digest: h.Digest, Plan: p})
	}
	if len(t) == 0 {
		return only, nil
	}
	return t.Between(e.record.First, e.record.Last), nil
}

// accountOf reduces up to one sample, by each plan from its place on; the error is
// io.EOF where it does not come.
func accountOf(ctx context.Context, reducer *group.Reducer, plans []worker.Switch, next func() (worker.Item, error), p *place, channel string) (*group.Account, uint64, error) {
	var found *group.Account
	take := func(a *group.Account) {
		copied := *a
		found = &copied
	}
	reducer.Account(p.source, channel, p.sample, take)
	batch := new(group.Batch)
	for {
		if err := ctx.Err(); err != nil {
			return nil, 0, err
		}
		i, err := next()
		if err != nil {
			return nil, 0, err
		}
		for ; len(plans) > 0 && plans[0].From <= i.Place; plans = plans[1:] {
			if reducer, err = worker.HandOn(reducer, plans[0].Plan); err != nil {
				return nil, 0, err
			}
			reducer.Account(p.source, channel, p.sample, take)
		}
		if i.Event != nil {
			if i.Event.Event.Event != event.Calibration {
				reducer.Event(i.Event.Event)
			}
			continue
		}
		if err := reducer.Reduce(i.Frame, batch); err != nil {
			return nil, 0, err
		}
		if found != nil {
			return found, i.Place, nil
		}
	}
}

// errOther occurs when a value that is worked out again is another.
var errOther = errors.New("worked out again from its reading it is another")

// strainOrNone is a strain with its unit.
func strainOrNone(v float64) string {
	if v != v {
		return "no value"
	}
	return exact(v) + " m/m"
}

func lineageOf(name string, asked int64, p *place, record *archive.Record, a *group.Account, at uint64, test *testfile.Test) (*lineage, error) {
	// Another version of the program may differ in the last bits, no more.
	if !(math.Abs(a.Strain-p.strain) <= 1e-12) && !(math.IsNaN(a.Strain) && math.IsNaN(p.strain)) {
		return nil, fmt.Errorf("%s at %s: the segment holds %s, but %w: %s; glueline verify --recompute says more",
			name, stamp(p.time), strainOrNone(p.strain), errOther, strainOrNone(a.Strain))
	}
	l := &lineage{
		Channel: name, Time: time.Unix(0, p.time).UTC(), Asked: time.Unix(0, asked).UTC(), Strain: stated(p.strain), flags: p.mask, Flags: p.mask.Names(),
		Segment: p.file.Name, Sample: p.sample, Group: record.Group, Cut: record.Cut, Journal: record.Journal.Identity,
		Source: a.Frame.Source, Boot: a.Frame.Boot, Frame: a.Frame.Number, Row: a.Frame.Row,
		Reading: stated(a.Reading), Unit: a.Unit, Excitation: stated(a.Excited), Ratio: stated(a.Ratio),
		Temperature: temperatureUsed(a.Gauge), Leads: temperatureUsed(a.Leads),
	}
	if l.Journal != "" {
		l.Sequence = sequenceOf(record, at)
	}
	l.Input, l.Gauge, _ = strings.Cut(a.Wire, "|")
	if a.Channel == nil {
		return l, nil
	}
	l.Span = a.Channel.Span()
	zero := a.Zero
	l.Zero = &segment.Zero{
		Channel: name, Kind: zero.Record.Kind, Name: zero.Record.Name, Who: zero.Record.Who, Why: zero.Record.Why, Standing: string(zero.Standing),
		From: zero.Record.From, To: zero.Record.To, Readings: zero.Record.Raw.N, Ratio: stated(zero.Zero.Ratio),
		Temperature: stated(zero.Zero.Temperature), LeadTemperature: stated(zero.Zero.LeadTemperature), Spread: stated(zero.Noise), Carried: zero.Carried,
	}
	l.Constants = origin.Of(test, name, a.Wire, &a.Channel.Constants)
	all, err := shares.Of(a.Channel, a.Ratio, a.Gauge.Value, a.Leads.Value)
	if errors.Is(err, shares.ErrNoStrain) {
		return l, nil
	}
	if err != nil {
		return nil, err
	}
	for _, s := range all {
		l.Shares = append(l.Shares, shareOf{s.Effect.String(), s.Share, s.Sum})
	}
	if l.Span != 1 { // the first share is so many times what it would be without
		l.SpanShare = stated(all[0].Share - all[0].Share/l.Span)
	}
	return l, nil
}

// sequenceOf is where in the journal a place of the group's order can be: the
// messages that were refused are known, those that came again are counted only.
func sequenceOf(r *archive.Record, place uint64) [2]uint64 {
	first, refused := r.Journal.First, map[uint64]bool{}
	if r.Cut == 0 {
		first = max(first, 2) // the journal's identity is its first message
	}
	for _, x := range r.Refused {
		refused[x.Sequence] = true
	}
	low, high := first, r.Journal.Last
	for n := place - r.First; low < r.Journal.Last; low++ {
		if refused[low] {
			continue
		}
		if n == 0 {
			break
		}
		n--
	}
	for n := r.Last - place; high > first; high-- {
		if refused[high] {
			continue
		}
		if n == 0 {
			break
		}
		n--
	}
	return [2]uint64{low, high}
}

func stated(v float64) *float64 {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return nil
	}
	return &v
}

func temperatureUsed(u group.TemperatureUsed) usedTemperature {
	out := usedTemperature{Name: u.Name, Value: stated(u.Value)}
	if u.At != 0 {
		at := time.Unix(0, u.At).UTC()
		out.At = &at
	}
	return out
}

// print lays a lineage out for somebody who doubts the number.
func (l *lineage) print(w io.Writer) {
	show := func(v *float64, scale float64, decimals int, unit string) string {
		if v == nil {
			return "none"
		}
		return digits(*v*scale, decimals) + " " + unit
	}
	when := func(t time.Time) string { return t.Format(time.RFC3339Nano) }
	fmt.Fprintf(w, "%s at %s: %s\n", printable.Text(l.Channel), when(l.Time), show(l.Strain, 1e6, 3, "um/m"))
	if l.Stress != nil {
		fmt.Fprintf(w, "stress %s: %s\n", show(l.Stress, 1e-6, 3, "MPa"), l.StressFrom)
	}
	if !l.Asked.Equal(l.Time) {
		fmt.Fprintf(w, "(the sample nearest to %s)\n", when(l.Asked))
	}
	sequence := fmt.Sprint(l.Sequence[0])
	if l.Sequence[0] != l.Sequence[1] {
		sequence += fmt.Sprintf(" to %d", l.Sequence[1])
	}
	rows := [][]string{
		{"segment", fmt.Sprintf("%s, sample %d", l.Segment, l.Sample)},
		{"journal", fmt.Sprintf("%s, message %s (group %s, cut %d)", l.Journal, sequence, l.Group, l.Cut)},
		{"frame", fmt.Sprintf("source %s, boot %s, frame %d, row %d", l.Source, l.Boot, l.Frame, l.Row)},
		{"gauge", fmt.Sprintf("%s on input %s", l.Gauge, l.Input)},
		{"reading", strings.TrimSpace(numberOr(l.Reading)+" "+l.Unit) + ", as a ratio " + show(l.Ratio, 1e3, 7, "mV/V")},
	}
	if l.Excitation != nil {
		rows = append(rows, []string{"excitation", show(l.Excitation, 1, 4, "V")})
	}
	if l.Journal == "" {
		rows[1] = []string{"journal", "none: reduced from raw files"}
	}
	for _, t := range []struct {
		what string
		used usedTemperature
	}{{"temperature", l.Temperature}, {"of the leads", l.Leads}} {
		text := show(t.used.Value, 1, 3, "degC")
		switch {
		case t.used.Name == "":
			text = "none stated: as at the zero"
		case t.used.At == nil:
			text += ", " + t.used.Name + " without a reading: as at the zero"
		default:
			text += ", " + t.used.Name + " read at " + when(*t.used.At)
		}
		rows = append(rows, []string{t.what, text})
	}
	if z := l.Zero; z != nil {
		text := fmt.Sprintf("%q (%s), %s", z.Name, z.Kind, show(z.Ratio, 1e3, 7, "mV/V"))
		if z.Readings > 0 {
			text += fmt.Sprintf(", mean of %d readings from %s to %s", z.Readings, stamp(z.From), stamp(z.To))
		}
		text += ", at " + show(z.Temperature, 1, 3, "degC") + ", leads " + show(z.LeadTemperature, 1, 3, "degC")
		if z.Who != "" {
			text += ", by " + z.Who
		}
		if len(z.Carried) > 0 {
			text += ", carried over " + strings.Join(z.Carried, ", ")
		}
		rows = append(rows, []string{"zero in force", text})
		if l.ZeroFrom != "" {
			rows = append(rows, []string{"it comes from", l.ZeroFrom})
		}
		rows = append(rows, []string{"span", fmt.Sprintf("%.8g", l.Span)})
	} else {
		rows = append(rows, []string{"zero in force", "none: without a zero there is no strain"})
	}
	if l.flags == 0 {
		rows = append(rows, []string{"flags", "none"})
	}
	for _, f := range flag.All() {
		if l.flags&f.Mask != 0 {
			rows = append(rows, []string{"flag", f.Name + ": " + f.Meaning})
		}
	}
	t := table{head: []string{"where it comes from", ""}, right: []bool{false, false}, rows: rows}
	fmt.Fprintln(w)
	t.write(w)
	if len(l.Shares) > 0 {
		fmt.Fprintln(w, "\nWhat it is made of. Corrections are switched on one after another, in this order:\nthe shares depend on it, their sum does not.")
		t = table{head: []string{"correction", "share um/m", "so far um/m"}, right: []bool{false, true, true}}
		for i, s := range l.Shares {
			t.rows = append(t.rows, []string{s.Effect, fmt.Sprintf("%+.4f", s.Share*1e6), fmt.Sprintf("%+.4f", s.Sum*1e6)})
			if i == 0 && l.SpanShare != nil {
				t.rows = append(t.rows, []string{fmt.Sprintf("(of it the span, %.6g: %+.4f)", l.Span, *l.SpanShare*1e6), "", ""})
			}
		}
		t.write(w)
	}
	if len(l.Constants) > 0 {
		fmt.Fprintln(w)
		t = table{head: []string{"constant", "value", "from"}, right: []bool{false, false, false}}
		for _, k := range l.Constants {
			t.rows = append(t.rows, []string{k.Name, k.Value, k.From})
		}
		t.write(w)
	}
	fmt.Fprintln(w, "\nStrain is the change since the zero; dead load, residual and assembly stress are not in it.\nGlueline monitors; it is not a protective system.")
	if l.Draft != "" {
		fmt.Fprintln(w, l.Draft)
	}
}

func numberOr(v *float64) string {
	if v == nil {
		return "none"
	}
	return exact(*v)
}
