package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"maps"
	"net/http"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"sync/atomic"
	"time"

	"glueline/pipeline/event"
	"glueline/pipeline/printable"
	"glueline/sinks/revise"
)

type rereduceCommand struct {
	Data        string   `arg:"" help:"Data folder of serve."`
	Calibration string   `help:"The test file as it should have been. What differs from the one in force is changed, from the first day on or as --from and --to say."`
	From        string   `placeholder:"TIME" help:"The change holds from this time of the readings on, for example 2026-05-04T06:00:00Z."`
	To          string   `placeholder:"TIME" help:"And up to this one."`
	Channels    []string `placeholder:"NAME,…" help:"Refuse the change where it is one of anything else than these channels, rosettes, temperatures and quantities."`
	Who         string   `env:"GLUELINE_WHO" help:"Who changes it: a person's name."`
	Why         string   `help:"Why it is changed."`
	Preview     bool     `help:"Say what would change and how long it would take, and do nothing."`
	Same        bool     `help:"Make all of it again though no constant is another."`
	GoOn        string   `placeholder:"REVISION" help:"Go on with a revision that was begun, help the processes that are at it, or make again what a finished one lacks."`
	Workers     int      `help:"Cuts at a time; by default one a processor, one beside a running service."`
	Share       *float64 `help:"Part of the machine that this process may take, above 0 and up to 1, which is all of it; by default a quarter beside a running service, else all."`
	Quiet       bool     `short:"q" help:"No progress bar."`
}

// Run shows what a change does, makes the new revision beside the old one, and has
// it hold when all of it is there and was read back.
func (c *rereduceCommand) Run(ctx context.Context, s streams) error {
	if !folderIsThere(filepath.Join(c.Data, rawFolder)) {
		return fmt.Errorf("%s has no %s folder: without what came as it came nothing can be reduced again; give the data folder of serve", c.Data, rawFolder)
	}
	if err := c.fits(); err != nil {
		return err
	}
	current, err := currentRevision(c.Data)
	if err != nil {
		return err
	}
	if c.GoOn != "" {
		r, err := readRevision(c.Data, c.GoOn)
		if err != nil {
			return fmt.Errorf("%w; glueline calibrations %s lists the revisions", err, c.Data)
		}
		if later(current, r.Name) {
			return c.mend(ctx, s, r, current)
		}
		return c.make(ctx, s, r)
	}
	all, err := revisions(c.Data)
	if err != nil {
		return err
	}
	if newest := all[len(all)-1].Name; newest != current {
		return fmt.Errorf("revision %s was begun and is not finished: go on with --go-on %s, or remove its folder %s",
			newest, newest, filepath.Join(c.Data, newest))
	}
	r, err := c.plan(current, fmt.Sprintf("r%d", len(all)+1))
	if err != nil {
		return err
	}
	if len(r.Changes) == 0 && !c.Same && !c.Preview {
		return fmt.Errorf("%s has the constants that hold already, %s: %s would be %s once more; give the test file as it should have been, or --same to make it all the same", c.Calibration, r.spanInWords(), r.Name, current)
	}
	if err := c.show(ctx, s, r); err != nil || c.Preview {
		return err
	}
	if err := r.write(c.Data); err != nil {
		return err
	}
	return c.make(ctx, s, r)
}

// fits finds what is wrong with the command line.
func (c *rereduceCommand) fits() error {
	switch {
	case c.Share != nil && !(*c.Share > 0 && *c.Share <= 1):
		return fmt.Errorf("--share %g: it is a part of the machine, above 0 and up to 1, which is all of it; for example 0.25", *c.Share)
	case c.Workers < 0:
		return fmt.Errorf("--workers %d: at least 1, or leave it out", c.Workers)
	case c.GoOn != "" && (c.Calibration != "" || c.From != "" || c.To != "" || c.Preview || c.Same || len(c.Channels) > 0):
		return fmt.Errorf("--go-on %s: what it changes was said when it was begun; leave the other flags out", c.GoOn)
	case c.GoOn != "" && !event.IsRevision(c.GoOn):
		return fmt.Errorf("--go-on %s: write r and its number, for example r2", c.GoOn)
	case c.GoOn != "":
		return nil
	case c.Calibration == "":
		return errors.New("give the test file as it should have been: --calibration FILE (or --go-on REVISION)")
	case !c.Preview && strings.TrimSpace(c.Who) == "":
		return errors.New("say who changes it: --who NAME")
	case !c.Preview && strings.TrimSpace(c.Why) == "":
		return errors.New("say why it is changed: --why REASON")
	}
	return nil
}

// span is the time of the readings that a change holds for.
func (c *rereduceCommand) span() (from, to *time.Time, err error) {
	read := func(flag, text string) (*time.Time, error) {
		if text == "" {
			return nil, nil
		}
		t, err := time.Parse(time.RFC3339Nano, text)
		if err != nil {
			return nil, fmt.Errorf("%s %q; write the time with its offset, for example 2026-05-04T06:00:00Z", flag, text)
		}
		if !time.Unix(0, t.UnixNano()).Equal(t) {
			return nil, fmt.Errorf("%s %q: readings have times from 1678 to 2261", flag, text)
		}
		return &t, nil
	}
	if from, err = read("--from", c.From); err != nil {
		return nil, nil, err
	}
	if to, err = read("--to", c.To); err != nil {
		return nil, nil, err
	}
	if from != nil && to != nil && !from.Before(*to) {
		return nil, nil, fmt.Errorf("--from %s is not before --to %s", c.From, c.To)
	}
	return from, to, nil
}

// samples is how many cuts a preview reduces both ways: the first that are touched,
// one after the other, since a later one begins from what those before leave.
const samples = 3

// show says what a revision changes.
func (c *rereduceCommand) show(ctx context.Context, s streams, r *revision) error {
	fmt.Fprintf(s.out, "%s from %s, %s:\n", r.Name, r.From, r.spanInWords())
	for _, line := range r.Changes {
		fmt.Fprintf(s.out, "  %s\n", printable.Text(line))
	}
	if len(r.Changes) == 0 {
		fmt.Fprintln(s.out, "  no constant is another: the results will be the same")
	}
	fmt.Fprintln(s.out)
	w, err := c.withWhom(ctx)
	if err != nil {
		return err
	}
	w.leave()
	_, share := c.effort(w)
	reach := table{head: []string{"group", "cuts", "touched", "readings", "sources"}, right: []bool{false, true, true, true, false}}
	change := table{head: []string{"column", "rows looked at", "mean change", "largest change", "at", "other flags", "values gained or lost"},
		right: []bool{false, true, true, true, false, true, true}}
	var looked, moved []string
	var rate []float64 // bytes a second
	var bytes int64
	more := false // cuts behind those that were looked at
	for _, name := range slices.Sorted(maps.Keys(r.Groups)) {
		o, err := r.order(c.Data, name, keptPlans(c.Data, name))
		if err != nil {
			return err
		}
		o.Share = share
		what, err := o.Reach()
		if err != nil {
			return err
		}
		bytes += what.RawBytes
		reach.rows = append(reach.rows, []string{name, fmt.Sprint(what.Cuts), fmt.Sprint(len(what.Touched)), size(what.RawBytes), cmp.Or(strings.Join(what.Sources, ", "), "none")})
		sampled, speed, err := c.sample(ctx, &o, what)
		if err != nil {
			return err
		}
		change.rows = append(change.rows, changedColumns(sampled)...)
		for _, x := range sampled.Sources {
			if x.OnlyA+x.OnlyB > 0 {
				moved = append(moved, fmt.Sprintf("source %s (%s)", x.Source, count(int(max(x.OnlyA, x.OnlyB)), "row")))
			}
		}
		more = more || len(what.Touched) > 0 && what.Touched[0]+samples < what.Cuts
		if speed > 0 {
			looked, rate = append(looked, "group "+name+" up to "+moment(sampled.UpTo)), append(rate, speed)
		}
	}
	reach.write(s.out)
	switch {
	case len(change.rows) > 0:
		fmt.Fprintf(s.out, "\nOf the first cuts that are touched, up to %d a group, reduced both ways (%s). Columns that stay are left out:\n\n", samples, strings.Join(looked, ", "))
		change.write(s.out)
		if more {
			fmt.Fprintln(s.out, "\nLater cuts may change by more, as where the load is larger.")
		}
	case len(looked) > 0 && len(moved) == 0:
		fmt.Fprintf(s.out, "\nThe first cuts that are touched, up to %d a group, were reduced both ways (%s): nothing changes in them.", samples, strings.Join(looked, ", "))
		if more {
			fmt.Fprint(s.out, " Later ones may.")
		}
		fmt.Fprintln(s.out)
	}
	if len(moved) > 0 {
		fmt.Fprintf(s.out, "\nIn them these rows get other times: %s. Rows of one time are compared above, so of these nothing; glueline compare says of both revisions how large values are, once this one is made.\n", strings.Join(moved, ", "))
	}
	limit := "without a limit"
	if share > 0 {
		limit = fmt.Sprintf("within %.0f %% of the machine", 100*share)
	}
	if len(rate) > 0 && bytes > 0 {
		slices.Sort(rate)
		fmt.Fprintf(s.out, "\nAbout %s for what is touched, on one processor, %s.\n", (time.Duration(float64(bytes) / rate[len(rate)/2] * 1e9)).Round(100*time.Millisecond), limit)
	}
	return nil
}

func (r *revision) spanInWords() string {
	switch {
	case r.Begin != nil && r.End != nil:
		return fmt.Sprintf("from %s to %s", r.Begin.Format(time.RFC3339), r.End.Format(time.RFC3339))
	case r.Begin != nil:
		return fmt.Sprintf("from %s on", r.Begin.Format(time.RFC3339))
	case r.End != nil:
		return fmt.Sprintf("up to %s", r.End.Format(time.RFC3339))
	}
	return "for all time"
}

// sample reduces the first cuts that are touched.
func (c *rereduceCommand) sample(ctx context.Context, o *revise.Order, what revise.Reach) (sampled *revise.Sampled, rate float64, err error) {
	if len(what.Touched) == 0 {
		return new(revise.Sampled), 0, nil
	}
	began := time.Now()
	if sampled, err = o.Samples(ctx, what.Touched[0], samples, c.Data); err != nil {
		return nil, 0, err
	}
	if took := time.Since(began).Seconds(); took > 0 {
		rate = float64(sampled.RawBytes) / took
	}
	return sampled, rate, nil
}

// changedColumns are the columns of a sample that do not stay, as rows of a table.
func changedColumns(sampled *revise.Sampled) (rows [][]string) {
	for _, column := range sampled.Columns {
		unit, scale, decimals := shownUnit(column.Unit)
		x := &column.Whole
		lost := x.OnlyA + x.OnlyB
		if (x.Largest == 0 || column.RoundingOnly(x)) && x.Flags == 0 && lost == 0 {
			continue
		}
		row := []string{column.Name, fmt.Sprint(x.Rows), "", "", "", "", ""}
		if x.Largest != 0 {
			row[2] = fmt.Sprintf("%+.*f %s", decimals+1, x.Mean*scale, unit)
			row[3] = fmt.Sprintf("%+.*f %s", decimals+1, x.Largest*scale, unit)
			row[4] = moment(x.When)
		}
		if x.Flags > 0 {
			row[5] = fmt.Sprint(x.Flags)
		}
		if lost > 0 {
			row[6] = fmt.Sprint(lost)
		}
		rows = append(rows, row)
	}
	return rows
}

// make makes the revision, alone or with others, and has it hold when all of it
// is there.
func (c *rereduceCommand) make(ctx context.Context, s streams, r *revision) error {
	began := time.Now()
	checked := map[string]uint64{}
	for round := 0; ; {
		holds, err := c.attempt(ctx, s, r, checked, &round)
		if err != nil {
			return c.stopped(err, r)
		}
		if holds {
			break
		}
	}
	fmt.Fprintf(s.out, "Revision %s holds (%.1f s). It is a draft until a second person has checked it; %s is as it was.\n", r.Name, time.Since(began).Seconds(), r.From)
	if last := r.last(); r.Replaces != "" && r.Replaces != last {
		fmt.Fprintf(s.out, "Now give serve the right test file too, in the place of its own: %s. With the old one, which has the constants that were replaced, it does not start again, nor reload.\n",
			filepath.Join(c.Data, keptFolder, last, keptName))
	}
	return nil
}

// mend makes the cuts that a finished revision lacks: verify found them damaged, and
// somebody took their records away. What holds goes on holding.
func (c *rereduceCommand) mend(ctx context.Context, s streams, r *revision, current string) error {
	said := "holds"
	if current != r.Name {
		said = "was finished, and " + current + " holds since"
	}
	names, err := groupsOf(filepath.Join(c.Data, rawFolder))
	if err != nil {
		return err
	}
	ends, err := endsOf(c.Data, r.Name)
	if err != nil {
		return err
	}
	w, err := c.withWhom(ctx)
	if err != nil {
		return err
	}
	defer w.leave()
	made := 0
	for _, name := range names {
		o, err := r.orderOfItself(c.Data, name, keptPlans(c.Data, name))
		if err != nil {
			return err
		}
		if end, ended := ends[name]; ended {
			o.Cuts = min(o.Cuts, end)
		}
		missing := len(o.Missing())
		if missing == 0 {
			continue
		}
		o.Workers, o.Share = c.effort(w)
		if err := revise.Run(ctx, o); err != nil {
			return err
		}
		if err := o.Check(ctx, 0); err != nil {
			return err
		}
		made += missing
	}
	if made == 0 {
		fmt.Fprintf(s.out, "Revision %s %s: there is nothing left to do.\n", r.Name, said)
		return nil
	}
	fmt.Fprintf(s.out, "Revision %s %s. %s made again from the raw archive: glueline verify %s --revision %s --recompute proves it.\n",
		r.Name, said, were(made, "cut that it lacked", "cuts that it lacked"), c.Data, r.Name)
	return nil
}

// were is "1 thing was", "2 things were".
func were(n int, one, more string) string {
	if n == 1 {
		return "1 " + one + " was"
	}
	return fmt.Sprintf("%d %s were", n, more)
}

// attempt makes what is left of the revision and has it hold: by itself where it
// has the folder for itself, by the service where one works in it. Where another
// re-reduction has the folder, that one does it; should it end before, the
// answer is no, and the next attempt takes its place.
func (c *rereduceCommand) attempt(ctx context.Context, s streams, r *revision, checked map[string]uint64, round *int) (holds bool, err error) {
	w, err := c.withWhom(ctx)
	if err != nil {
		return false, err
	}
	defer w.leave()
	for more := true; more; *round++ { // while the first ones were made, more came
		if more, err = c.catchUp(ctx, s, r, w, checked, *round); err != nil {
			return false, err
		}
	}
	switch {
	case w.unlock != nil:
		return true, hold(c.Data, r.Name)
	case w.service:
		turned := newControl(c.Data).turn(ctx, r.Name)
		if turned != nil {
			// Another process may have had the service turn to it meanwhile.
			if current, err := currentRevision(c.Data); err == nil && later(current, r.Name) {
				return true, nil
			}
		}
		return turned == nil, turned
	}
	for {
		current, err := currentRevision(c.Data)
		if err != nil || later(current, r.Name) {
			return err == nil, err
		}
		now, err := c.withWhom(ctx)
		if err != nil {
			return false, err
		}
		now.leave()
		if now.unlock != nil || now.service {
			return false, nil
		}
		select {
		case <-ctx.Done():
			return false, ctx.Err()
		case <-time.After(100 * time.Millisecond):
		}
	}
}

// company is who works in a data folder: this process for itself, or beside a
// service, or else beside another re-reduction.
type company struct {
	unlock  func() // nil where another has the folder
	service bool
}

// leave lets others have the folder.
func (w company) leave() {
	if w.unlock != nil {
		w.unlock()
	}
}

// withWhom takes the folder, or finds who has it. A service that does not answer
// is one all the same.
func (c *rereduceCommand) withWhom(ctx context.Context) (company, error) {
	unlock, err := lockFolder(c.Data)
	if err == nil {
		return company{unlock: unlock}, nil
	}
	if !errors.Is(err, errInUse) {
		return company{}, err
	}
	var st status
	err = newControl(c.Data).call(ctx, http.MethodGet, "/status", nil, &st)
	if errors.Is(err, errInterrupted) {
		return company{}, err
	}
	return company{service: !errors.Is(err, errNoService)}, nil
}

// effort is how many cuts are made at a time, and the part of the machine that
// this takes; 0 is all of it.
func (c *rereduceCommand) effort(w company) (workers int, share float64) {
	workers = c.Workers
	if workers == 0 {
		workers = 1
		if w.unlock != nil {
			workers = runtime.NumCPU()
		}
	}
	if c.Share != nil {
		share = *c.Share
	} else if w.service {
		share = besideService
	}
	return workers, share
}

// besideService is the part of the machine that a re-reduction takes while the
// service works.
const besideService = 0.25

// catchUp makes the cuts that there are. It reports whether more than one came
// meanwhile.
func (c *rereduceCommand) catchUp(ctx context.Context, s streams, r *revision, w company, checked map[string]uint64, round int) (more bool, err error) {
	var orders []revise.Order
	var total int64
	for _, name := range slices.Sorted(maps.Keys(r.Groups)) {
		o, err := r.order(c.Data, name, keptPlans(c.Data, name))
		if err != nil {
			return false, err
		}
		o.Workers, o.Share = c.effort(w)
		left, err := o.Left()
		if err != nil {
			return false, err
		}
		orders, total = append(orders, o), total+left
	}
	bar := newProgress(s.err, "reducing again", c.Quiet || round > 0)
	defer bar.Close()
	bar.Begin(total)
	var done atomic.Int64
	for i := range orders {
		o := &orders[i]
		o.Done = func(_ uint64, bytes int64) { bar.Set(done.Add(bytes)) }
		if err := revise.Run(ctx, *o); err != nil {
			return false, err
		}
		first := checked[o.Group]
		if err := o.Check(ctx, first-min(first, 1)); err != nil {
			return false, err
		}
		more = more || round < 100 && o.Cuts > first+1
		checked[o.Group] = o.Cuts
	}
	return more, nil
}

// stopped says how to go on.
func (c *rereduceCommand) stopped(err error, r *revision) error {
	if errors.Is(err, context.Canceled) {
		err = errInterrupted
	}
	return fmt.Errorf("%w\n%s still holds. Go on with: glueline rereduce %s --go-on %s (or remove %s)", err, r.From, c.Data, r.Name, filepath.Join(c.Data, r.Name))
}
