package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"glueline/pipeline/flag"
	"glueline/pipeline/picture"
	"glueline/pipeline/testfile"
	"glueline/sinks/console"
)

// consoleArticle answers the console from a service and its folder, by the code
// that the commands use.
type consoleArticle struct {
	svc     *service
	archive consoleArchive
	history consoleHistory
}

var _ console.Article = (*consoleArticle)(nil)

// articleOf is what the page knows of a test.
type articleOf struct {
	Test        string             `json:"test"`
	Article     string             `json:"article"`
	Zone        string             `json:"zone"`
	Load        string             `json:"load"`
	Data        string             `json:"data"`
	Began       time.Time          `json:"began"`
	Version     string             `json:"version"`
	Drawing     *picture.Node      `json:"drawing"`
	FullStrain  float64            `json:"full_strain"`
	Channels    []channelOf        `json:"channels"`
	Rosettes    []rosetteOf        `json:"rosettes"`
	Quantities  []quantityOf       `json:"quantities"` // temperatures and auxiliary
	Predictions []predictionOf     `json:"predictions"`
	Flags       []flagOf           `json:"flags"`
	Places      map[string]place2D `json:"places"`
}

type place2D struct {
	X     float64  `json:"x"`
	Y     float64  `json:"y"`
	Angle *float64 `json:"angle"` // rad
}

type channelOf struct {
	Name      string   `json:"name"`
	Position  string   `json:"position"`
	At        string   `json:"at"`
	Direction string   `json:"direction"`
	Material  string   `json:"material"`
	Bridge    string   `json:"bridge"`
	Group     string   `json:"group"`
	Source    string   `json:"source"`
	Shunt     bool     `json:"shunt"`
	Limit     *float64 `json:"limit"` // m/m
	Angle     *float64 `json:"angle"` // rad
	Young     *float64 `json:"young"` // Pa
}

type rosetteOf struct {
	Name    string   `json:"name"`
	Grids   []string `json:"grids"`
	Form    string   `json:"form"`
	Young   *float64 `json:"young"`
	Poisson *float64 `json:"poisson"`
}

type quantityOf struct {
	Name  string `json:"name"`
	Kind  string `json:"kind"`
	Unit  string `json:"unit"`
	Place string `json:"place"`
}

type predictionOf struct {
	Step    string  `json:"step"`
	Channel string  `json:"channel"`
	Strain  float64 `json:"strain"`
	Band    float64 `json:"band"`
}

type flagOf struct {
	Bit       uint32 `json:"bit"`
	Name      string `json:"name"`
	Meaning   string `json:"meaning"`
	LeavesOut bool   `json:"leaves_out"`
}

func statedIn(q testfile.Quantity) *float64 {
	if !q.Given {
		return nil
	}
	return &q.Value
}

// Describe says what the test is, by the test file in force.
func (a *consoleArticle) Describe(context.Context) (any, error) {
	t := a.svc.current.Load().test
	d := &articleOf{
		Test: t.About.Name.Text, Article: t.About.Article.Text, Zone: t.About.Zone.Or("UTC"), Load: t.About.Load.Text,
		Data: a.svc.data, Began: a.svc.began, Version: program().Version, FullStrain: 500e-6, Places: map[string]place2D{},
		Channels: []channelOf{}, Rosettes: []rosetteOf{}, Quantities: []quantityOf{}, Predictions: []predictionOf{},
	}
	if t.Drawing.Given && t.Drawing.SVG.Text != "" {
		n, err := picture.Parse(t.Drawing.SVG.Text)
		if err != nil {
			return nil, err // the test file was read with it
		}
		d.Drawing = n
		if t.Drawing.Strain.Given {
			d.FullStrain = t.Drawing.Strain.Value
		}
		for i := range t.Drawing.Places.Entries {
			e := &t.Drawing.Places.Entries[i]
			d.Places[e.Name] = place2D{e.Value.X.Value, e.Value.Y.Value, statedIn(e.Value.Angle)}
		}
	}
	groups := map[string]string{}
	sources := map[string]string{}
	for _, g := range a.svc.groups {
		for i := range t.Channels.Entries {
			name := t.Channels.Entries[i].Name
			if s := g.plan.SourceOf(name); s != "" {
				groups[name], sources[name] = g.plan.Name, s
			}
		}
	}
	for i := range t.Channels.Entries {
		e := &t.Channels.Entries[i]
		c := channelOf{Name: e.Name, Position: e.Value.Position.Or(e.Name), Bridge: e.Value.Bridge.Text, Group: groups[e.Name], Source: sources[e.Name],
			Shunt: e.Value.Shunt.Given, Limit: statedIn(e.Value.Limits.Strain)}
		if c.Limit == nil {
			c.Limit = statedIn(t.About.Limits.Strain)
		}
		if p, ok := t.Positions.Get(c.Position); ok {
			c.At, c.Direction, c.Material, c.Angle = p.At.Text, p.Direction.Text, p.Material.Text, statedIn(p.Angle)
			if m, ok := t.Material(c.Material); ok {
				c.Young = statedIn(m.Young)
			}
		}
		d.Channels = append(d.Channels, c)
	}
	for i := range t.Rosettes.Entries {
		e := &t.Rosettes.Entries[i]
		r := rosetteOf{Name: e.Name, Form: e.Value.Form.Text}
		for _, g := range e.Value.Grids {
			r.Grids = append(r.Grids, g.Text)
		}
		for _, c := range d.Channels {
			if len(r.Grids) > 0 && c.Name == r.Grids[0] {
				if m, ok := t.Material(c.Material); ok {
					r.Young, r.Poisson = statedIn(m.Young), statedIn(m.Poisson)
				}
			}
		}
		d.Rosettes = append(d.Rosettes, r)
	}
	for i := range t.Temperatures.Entries {
		e := &t.Temperatures.Entries[i]
		d.Quantities = append(d.Quantities, quantityOf{e.Name, "temperature", "degC", e.Value.Place.Text})
	}
	for i := range t.Auxiliary.Entries {
		e := &t.Auxiliary.Entries[i]
		d.Quantities = append(d.Quantities, quantityOf{e.Name, e.Value.Quantity.Text, e.Value.Unit.Text, ""})
	}
	for i := range t.Predictions {
		p := &t.Predictions[i]
		d.Predictions = append(d.Predictions, predictionOf{p.Step.Text, p.Channel.Text, p.Strain.Value, p.Strain.Tolerance})
	}
	for _, f := range flag.All() {
		d.Flags = append(d.Flags, flagOf{uint32(f.Mask), f.Name, f.Meaning, f.LeavesOut})
	}
	return d, nil
}

// Look answers the page's questions.
func (a *consoleArticle) Look(ctx context.Context, what string, q console.Query) (any, error) {
	if !a.svc.opened.Load() {
		return nil, errors.New("the journal is being opened")
	}
	switch what {
	case "status":
		return a.svc.status(ctx), nil
	case "columns":
		return a.columns()
	case "trace":
		return a.trace(ctx, q)
	case "parts":
		return a.parts(ctx, q)
	case "moment":
		return a.moment(ctx, q)
	case "rosette":
		return a.rosette(q)
	case "zeros":
		return a.zeros(q)
	case "alarms":
		return a.svc.alarms(), nil
	case "trust":
		return a.trust(ctx, q.Get("channel"))
	case "value":
		return a.value(ctx, q)
	case "steps":
		return a.steps(q)
	case "events":
		return a.events()
	case "calibrations":
		return a.output(ctx, "calibrations", "--json", "--", a.svc.data)
	case "constants":
		return a.constants()
	case "checks":
		return a.checks(q)
	}
	return nil, fmt.Errorf("%w: %s", console.ErrUnknown, what)
}

// trust is what the health files say, of all channels or with the evidence of one.
func (a *consoleArticle) trust(ctx context.Context, channel string) (any, error) {
	path := healthPath
	if channel != "" {
		path += "/" + url.PathEscape(channel)
	}
	r, err := http.NewRequestWithContext(ctx, http.MethodGet, path, nil)
	if err != nil {
		return nil, err
	}
	w := &answerKept{header: http.Header{}}
	a.svc.ServeHTTP(w, r)
	if w.status != 0 && w.status != http.StatusOK {
		return nil, fmt.Errorf("%w: %s", console.ErrRefused, strings.TrimSpace(w.text.String()))
	}
	return json.RawMessage(w.text.Bytes()), nil
}

// answerKept keeps what the control socket would answer.
type answerKept struct {
	header http.Header
	status int
	text   bytes.Buffer
}

func (k *answerKept) Header() http.Header            { return k.header }
func (k *answerKept) WriteHeader(status int)         { k.status = status }
func (k *answerKept) Write(text []byte) (int, error) { return k.text.Write(text) }

// value says what one sample is made of, from its segment.
func (a *consoleArticle) value(ctx context.Context, q console.Query) (any, error) {
	at, err := instantOf(q.Get("time"))
	if err != nil {
		return nil, fmt.Errorf("%w: %w", console.ErrRefused, err)
	}
	dir, paths, err := a.history.near(a.svc.data, at)
	if err != nil {
		return nil, err
	}
	l, err := lineageAmong(ctx, &explainCommand{Dir: a.svc.data, Channel: q.Get("channel")}, dir, paths, at)
	if err != nil {
		return nil, fmt.Errorf("%w: %w", console.ErrRefused, err)
	}
	return l, nil
}

// stepOf is a row of the step table; null is what cannot be said.
type stepOf struct {
	Step       string   `json:"step"`
	Target     string   `json:"target"`
	Channel    string   `json:"channel"`
	Hold       int64    `json:"hold_ms"`
	End        int64    `json:"end_ms"`
	Load       *float64 `json:"load"`
	Mean       *float64 `json:"mean"`
	SD         *float64 `json:"sd"`
	Readings   int      `json:"readings"`
	Predicted  *float64 `json:"predicted"`
	Band       *float64 `json:"band"`
	Deviation  *float64 `json:"deviation"`
	Outside    bool     `json:"outside"`
	Slope      *float64 `json:"slope"`
	Residual   *float64 `json:"residual"`
	Hysteresis *float64 `json:"hysteresis"`
	Return     *float64 `json:"return"`
}

func (a *consoleArticle) steps(q console.Query) (any, error) {
	r, err := openResults(a.svc.data)
	if err != nil {
		return nil, fmt.Errorf("%w: %w", console.ErrRefused, err)
	}
	if c := q.Get("channel"); c != "" {
		if err := r.only([]string{c}); err != nil {
			return nil, fmt.Errorf("%w: %w", console.ErrRefused, err)
		}
	}
	rows, err := r.steps()
	if err != nil {
		return nil, err
	}
	all := []stepOf{}
	for i := range rows {
		s := &rows[i]
		all = append(all, stepOf{s.Step, s.Target, s.Channel, s.Hold / 1e6, s.End / 1e6, stated(s.Load), stated(s.Mean), stated(s.SD), s.Readings,
			stated(s.Predicted), stated(s.Band), stated(s.Deviation), s.Outside(), stated(s.Slope), stated(s.Residual), stated(s.Hysteresis), stated(s.Return)})
	}
	return map[string]any{"rows": all, "load_unit": r.loadUnit}, nil
}

// checkOf is a shunt check.
type checkOf struct {
	Channel   string   `json:"channel"`
	On        int64    `json:"on_ms"`
	Step      *float64 `json:"step_v_per_v"`
	Predicted *float64 `json:"predicted_v_per_v"`
	Deviation *float64 `json:"deviation"`
	Verdict   string   `json:"verdict"`
	Who       string   `json:"who"`
}

func (a *consoleArticle) checks(q console.Query) (any, error) {
	r, err := openResults(a.svc.data)
	if err != nil {
		return nil, fmt.Errorf("%w: %w", console.ErrRefused, err)
	}
	if c := q.Get("channel"); c != "" {
		if err := r.only([]string{c}); err != nil {
			return nil, fmt.Errorf("%w: %w", console.ErrRefused, err)
		}
	}
	checks, err := r.checks()
	if err != nil {
		return nil, err
	}
	all := []checkOf{}
	for i := range checks {
		c := &checks[i]
		all = append(all, checkOf{c.Channel, c.On / 1e6, stated(c.Step), stated(c.Predicted), stated(c.Deviation()), verdict(*c), c.Who})
	}
	return map[string]any{"checks": all, "says": shuntSays}, nil
}

// eventOf is an event for the time axis.
type eventOf struct {
	Time     int64    `json:"ms"`
	Event    string   `json:"event"`
	Says     string   `json:"says"`
	Channels []string `json:"channels"`
	Who      string   `json:"who"`
	Why      string   `json:"why"`
}

// events are those of the committed files, the newest of them.
func (a *consoleArticle) events() (any, error) {
	merged, err := a.history.allEvents(a.svc.data)
	if err != nil {
		return nil, err
	}
	const most = 5000
	all := []eventOf{}
	for _, e := range merged[max(0, len(merged)-most):] {
		names := e.Names()
		if names == nil {
			names = []string{}
		}
		all = append(all, eventOf{e.Time.UnixMilli(), e.Event, words(e), names, e.Who, e.Why})
	}
	return all, nil
}

// constants is the test file in force, to be changed and previewed.
func (a *consoleArticle) constants() (any, error) {
	k := a.svc.current.Load()
	return map[string]any{"digest": k.digest, "text": string(k.files[0].text), "alone": len(k.files) == 1}, nil
}

// output runs a command of this program and gives what it prints, which is JSON.
func (a *consoleArticle) output(ctx context.Context, args ...string) (any, error) {
	var out, said bytes.Buffer
	if run(ctx, args, streams{&out, &said}) != 0 {
		return nil, fmt.Errorf("%w: %s", console.ErrRefused, strings.TrimPrefix(strings.TrimSpace(said.String()), "glueline: "))
	}
	return json.RawMessage(out.Bytes()), nil
}

// errCommand is how a command ended that has said why.
var errCommand = errors.New("it was not done, or what it found is not as it should be; what was said stands here")

// Plan turns an action into a command of this program: what the page does, a
// terminal can do, and the page shows how.
func (a *consoleArticle) Plan(_ context.Context, x console.Action) (console.Plan, error) {
	if !a.svc.opened.Load() {
		return console.Plan{}, errors.New("the journal is being opened")
	}
	form, ok := consoleActions[x.What]
	if !ok {
		return console.Plan{}, fmt.Errorf("%w: %s", console.ErrUnknown, x.What)
	}
	for name, value := range x.Fields {
		if !slices.Contains(form.fields, name) && name != "who" && name != "why" {
			return console.Plan{}, fmt.Errorf("%w: %s has no field %s", console.ErrRefused, x.What, name)
		}
		if strings.ContainsRune(value, 0) {
			return console.Plan{}, fmt.Errorf("%w: the field %s holds what nobody types", console.ErrRefused, name)
		}
	}
	for _, name := range append([]string{"who"}, form.needs...) {
		if strings.TrimSpace(x.Fields[name]) == "" && !(name == "who" && form.reads) {
			return console.Plan{}, fmt.Errorf("%w: %s is needed", console.ErrRefused, name)
		}
	}
	return form.plan(a, x.Fields)
}

// runCommand runs a command and hands on what it says.
func runCommand(args []string) func(ctx context.Context, out io.Writer) error {
	return func(ctx context.Context, out io.Writer) error {
		if run(ctx, args, streams{out, out}) != 0 {
			return errCommand
		}
		return nil
	}
}
