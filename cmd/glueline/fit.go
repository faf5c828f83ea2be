package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"glueline/pipeline/event"
	"glueline/pipeline/printable"
	"glueline/pipeline/testfile"
	"glueline/pipeline/thermalfit"
	"glueline/reduce"
	"glueline/sinks/archive"
)

type fitCommand struct {
	ThermalOutput fitThermalCommand `cmd:"" name:"thermal-output" help:"Strain against temperature without load, of a channel or a lot: a proposal for its thermal output, where the part is free to expand."`
}

type fitThermalCommand struct {
	Results  string   `arg:"" name:"folder" default:"glueline-data" help:"The data folder of a service, or the results of a reduction."`
	Channels []string `help:"Of these channels, whose gauges are of one lot."`
	Lot      string   `help:"Of this lot: of all its channels that are free to expand, unless --channels names some."`
	Test     string   `help:"Test file that says which gauge is on a free coupon and which part is free to expand; by default the one that holds in the data folder."`
	From     string   `placeholder:"TIME" help:"Readings from this time on, for example 2026-05-04T06:00:00Z."`
	To       string   `placeholder:"TIME" help:"And up to this one."`
	Proposal string   `placeholder:"FILE" help:"Write the proposal to this file (YAML) instead of printing it."`
	Plot     string   `placeholder:"FILE" help:"Draw readings, curve and band to this file (SVG)."`
	Now      bool     `help:"Of a running service: end its files first, so that everything up to now is in them."`
	Quiet    bool     `short:"q" help:"No progress bar."`
}

// Run fits, says what the fit is worth, and proposes a thermal output where what
// was fitted is one.
func (c *fitThermalCommand) Run(ctx context.Context, s streams) error {
	for _, path := range []string{c.Proposal, c.Plot} {
		if path != "" && !isFree(path) {
			return fmt.Errorf("%s is there already; give another name", path)
		}
	}
	if c.Now {
		control := newControl(c.Results)
		if err := control.cut(ctx, event.Event{Who: "glueline fit", Why: "asked for the thermal output up to now"}); err != nil {
			return err
		}
	}
	test, err := c.testFile()
	if err != nil {
		return err
	}
	what, err := c.choose(test)
	if err != nil {
		return err
	}
	g := &thermalData{what: what}
	if err := c.gather(ctx, s, g); err != nil {
		return err
	}
	fit, err := g.readings.Fit()
	if err != nil {
		return fmt.Errorf("%s: %w", what.subject(), err)
	}
	report := &thermalReport{thermalData: g, fit: fit, results: c.Results, test: test.About.Name.Text}
	report.print(s.out)
	if c.Plot != "" {
		if err := writeNew(c.Plot, report.plot()); err != nil {
			return err
		}
		fmt.Fprintf(s.out, "\nPlot: %s\n", printable.Text(c.Plot))
	}
	if !what.free {
		var b strings.Builder
		paragraph(&b, "", "", "This is the temperature response of gauge and structure together, and no thermal output: no proposal is made. "+what.because())
		fmt.Fprintf(s.out, "\n%s", printable.Lines(b.String()))
		return errReported
	}
	if c.Proposal == "" {
		fmt.Fprintf(s.out, "\n%s", report.proposal())
		return nil
	}
	if err := writeNew(c.Proposal, report.proposal()); err != nil {
		return err
	}
	fmt.Fprintf(s.out, "\nProposal: %s. It is not in force: a person puts it into the test file.\n", printable.Text(c.Proposal))
	return nil
}

func isFree(path string) bool {
	_, err := os.Lstat(path)
	return errors.Is(err, fs.ErrNotExist)
}

// writeNew writes a file that is not there yet.
func writeNew(path, text string) error {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if err != nil {
		return fmt.Errorf("write %s: %w", path, err)
	}
	_, err = f.WriteString(text)
	if err = errors.Join(err, f.Close()); err != nil {
		return fmt.Errorf("write %s: %w", path, errors.Join(err, os.Remove(path)))
	}
	return nil
}

// testFile is the one that is given, or the one that holds at the end of the
// results.
func (c *fitThermalCommand) testFile() (*testfile.Test, error) {
	if c.Test != "" {
		return testfile.Load(c.Test)
	}
	if !isFolder(filepath.Join(c.Results, reducedFolder)) {
		if !isFolder(c.Results) {
			return nil, nothingIn(c.Results)
		}
		return nil, fmt.Errorf("%s does not say which parts are free to expand: give its test file by --test", c.Results)
	}
	digest, err := digestInForce(c.Results)
	if err != nil {
		return nil, err
	}
	k, err := keptTestOf(c.Results, digest)
	if err != nil {
		return nil, err
	}
	return k.test, nil
}

// digestInForce is that of the test file at the end of the revision that holds.
func digestInForce(data string) (string, error) {
	name, err := currentRevision(data)
	if err != nil {
		return "", err
	}
	timelines, err := timelinesOf(data, name)
	if err != nil {
		return "", err
	}
	for _, group := range sortedKeys(timelines) {
		if t := timelines[group]; len(t) > 0 {
			return t[len(t)-1].Digest, nil
		}
	}
	groups, err := cutGroups(filepath.Join(data, name))
	if err != nil {
		return "", err
	}
	for _, group := range groups {
		newest, err := archive.Newest(filepath.Join(data, rawFolder), group)
		if err != nil {
			return "", err
		}
		if newest != nil && newest.Calibration != "" {
			return newest.Calibration, nil
		}
	}
	if len(groups) == 0 {
		return "", nothingIn(data)
	}
	return "", fmt.Errorf("%s does not say which test file holds: give it by --test", data)
}

// thermalSubject is what is fitted.
type thermalSubject struct {
	lot       string
	channels  []string
	gauges    map[string]bool // of the lot
	idle      map[string]bool // channels whose readings count without load only
	material  string
	expansion testfile.Quantity
	reference float64 // gauge factor that the curve is stated for
	free      bool    // without load it has no stress
	bound     []string
	withheld  []string // channels that are not free, where some are
}

func (w *thermalSubject) subject() string {
	if len(w.channels) == 1 {
		return fmt.Sprintf("channel %s, lot %s on %s", w.channels[0], w.lot, w.material)
	}
	return fmt.Sprintf("lot %s on %s, channels %s", w.lot, w.material, some(w.channels))
}

// because says why a response is no thermal output.
func (w *thermalSubject) because() string {
	verb := "is"
	if len(w.bound) > 1 {
		verb = "are"
	}
	return fmt.Sprintf("%s %s not declared free to expand. Unloaded is not unstressed: a part that is held, or not at one temperature, has stress at every "+
		"temperature but one. Fit a witness gauge on a free coupon (witness-of), or declare the position free-to-expand where it is so.", some(w.bound), verb)
}

// referenceGaugeFactor is that of published thermal output where a lot states
// none. Common practice, no source.
const referenceGaugeFactor = 2.0

func (c *fitThermalCommand) choose(test *testfile.Test) (*thermalSubject, error) {
	w := &thermalSubject{lot: c.Lot, idle: map[string]bool{}, free: true}
	names := c.Channels
	switch {
	case c.Lot == "" && len(names) == 0:
		return nil, errors.New("name what to fit: --channels or --lot")
	case c.Lot != "":
		if _, ok := test.Lots.Get(c.Lot); !ok {
			return nil, fmt.Errorf("no lot %q in the test file; it has %s", c.Lot, some(test.Lots.Names()))
		}
	}
	if len(names) == 0 {
		names = w.ofLot(test)
		if len(names) == 0 {
			return nil, fmt.Errorf("no quarter bridge with a gauge of lot %s: %w", c.Lot, thermalfit.ErrBridge)
		}
	}
	var lots, materials []string
	for _, name := range names {
		ch, ok := test.Channels.Get(name)
		if !ok {
			return nil, fmt.Errorf("no channel %q in the test file", name)
		}
		if l, ok := reduce.LayoutByName(ch.Bridge.Text); !ok || !l.Quarter() {
			return nil, fmt.Errorf("channel %s, %s: %w", name, ch.Bridge.Text, thermalfit.ErrBridge)
		}
		if ch.Temperature.Text == "" {
			return nil, fmt.Errorf("channel %s has no temperature in the test file", name)
		}
		for _, lot := range test.LotsOf(name) {
			if !slices.Contains(lots, lot) {
				lots = append(lots, lot)
			}
		}
		if c.Lot != "" && !slices.Contains(test.LotsOf(name), c.Lot) {
			return nil, fmt.Errorf("channel %s has no gauge of lot %s", name, c.Lot)
		}
		position, ok := test.Positions.Get(ch.Position.Or(name))
		if !ok {
			return nil, fmt.Errorf("channel %s has no position in the test file", name)
		}
		if m := position.Material.Text; !slices.Contains(materials, m) {
			materials = append(materials, m)
		}
		if !test.FreeToExpand(name) {
			w.free, w.bound = false, append(w.bound, name)
		}
		w.idle[name] = !ch.Witness.Given
		if !slices.Contains(w.channels, name) {
			w.channels = append(w.channels, name)
		}
	}
	switch {
	case c.Lot == "" && len(lots) != 1:
		return nil, fmt.Errorf("gauges of more than one lot (%s): choose one by --lot", some(lots))
	case len(materials) > 1:
		return nil, fmt.Errorf("gauges on more than one material (%s), each with a thermal output of its own: name the channels on one by --channels", some(materials))
	}
	if w.lot == "" {
		w.lot = lots[0]
	}
	w.material = materials[0]
	m, ok := test.Material(w.material)
	if !ok {
		return nil, fmt.Errorf("no material %q", w.material)
	}
	w.expansion = m.Expansion
	lot, ok := test.Lots.Get(w.lot)
	if !ok {
		return nil, fmt.Errorf("no lot %q in the test file", w.lot)
	}
	w.gauges = map[string]bool{}
	for _, e := range test.Gauges.Entries {
		w.gauges[e.Name] = e.Value.Lot.Text == w.lot
	}
	w.reference = lot.ThermalOutput.ReferenceGaugeFactor.Or(referenceGaugeFactor)
	return w, nil
}

// ofLot lists the quarter bridges of the lot: those that are free to expand where
// there are any, else all.
func (w *thermalSubject) ofLot(test *testfile.Test) []string {
	var free, bound []string
	for _, e := range test.Channels.Entries {
		l, ok := reduce.LayoutByName(e.Value.Bridge.Text)
		if !ok || !l.Quarter() || !slices.Contains(test.LotsOf(e.Name), w.lot) {
			continue
		}
		if test.FreeToExpand(e.Name) {
			free = append(free, e.Name)
		} else {
			bound = append(bound, e.Name)
		}
	}
	if len(free) > 0 {
		w.withheld = bound
		return free
	}
	return bound
}

// proposalKey is a lot's name as YAML takes it for a key.
func proposalKey(name string) string {
	for _, r := range name {
		switch {
		case r >= 'a' && r <= 'z', r >= 'A' && r <= 'Z', r >= '0' && r <= '9', r == '-', r == '_':
		default:
			return `"` + strings.NewReplacer(`\`, `\\`, `"`, `\"`).Replace(printable.Text(name)) + `"`
		}
	}
	return name
}
