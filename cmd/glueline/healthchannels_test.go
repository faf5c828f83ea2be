package main

import (
	"encoding/json"
	"math"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"glueline/sinks/health"
)

// answeredEvidence is health.Evidence as another program reads it.
type answeredEvidence struct {
	Points map[string][]*float64 `json:"points"`
	health.Evidence
}

// answeredChannel is a channel as another program reads it.
type answeredChannel struct {
	health.Channel
	Group     string
	Attention string
	Meaning   string
	Decide    string
	Evidence  *answeredEvidence
}

type askedHealth struct {
	upTo string // of the file that answered
	all  []answeredChannel
	web  answeredChannel
}

// askForHealth asks a running service on its socket.
func askForHealth(t *testing.T, data string) (asked askedHealth) {
	t.Helper()
	c := newControl(data)
	for asked.upTo == "" { // a file may come between two questions
		var list, after struct {
			Note     string
			Groups   []groupHealth
			Channels []answeredChannel
		}
		for path, into := range map[string]any{"/health/channels": &list, "/health/channels/web": &asked.web} {
			if err := c.call(t.Context(), "GET", path, nil, into); err != nil {
				t.Fatal(err)
			}
		}
		if err := c.call(t.Context(), "GET", "/health/channels", nil, &after); err != nil {
			t.Fatal(err)
		}
		if list.Note != driftSays || len(list.Groups) != 1 || list.Groups[0].Error != "" {
			t.Fatalf("%+v", list)
		}
		if reflect.DeepEqual(list.Groups, after.Groups) {
			asked.upTo, asked.all = list.Groups[0].UpTo, list.Channels
		}
	}
	if err := c.call(t.Context(), "GET", "/health/channels/nobody", nil, &asked.web); err == nil || !strings.Contains(err.Error(), "no health file knows such a channel") {
		t.Errorf("a channel that nobody knows: %v", err)
	}
	return asked
}

// answeredHealth holds what a service answered to what drift --kept says of files
// that are of the same bytes, and that to what is known besides.
func answeredHealth(t *testing.T, data string, asked askedHealth) {
	var names []string
	for _, c := range asked.all {
		names = append(names, c.Channel.Channel)
		if c.Evidence != nil {
			t.Errorf("%s: evidence that nobody asked for", c.Channel.Channel)
		}
	}
	slices.Sort(names)
	if !slices.Equal(names, []string{"far", "near", "web"}) {
		t.Errorf("channels %v", names)
	}

	// No segment is read: without them it says the same.
	status, text, errs := glueline(t.Context(), "drift", data, "--kept", "--json", "--evidence")
	if status != 0 || errs != "" {
		t.Fatal(status, errs)
	}
	var kept struct {
		Channels []answeredChannel
		UpTo     map[string]string `json:"up_to"`
	}
	if err := json.Unmarshal([]byte(text), &kept); err != nil {
		t.Fatal(err)
	}
	if len(kept.Channels) != 3 {
		t.Fatalf("%d channels", len(kept.Channels))
	}
	web := kept.Channels[slices.IndexFunc(kept.Channels, func(c answeredChannel) bool { return c.Channel.Channel == "web" })]
	e := web.Evidence
	if e == nil {
		t.Fatal("no evidence")
	}
	rows := len(e.Points["time"])
	for name, column := range e.Points {
		if len(column) != rows {
			t.Errorf("%s has %d rows, time has %d", name, len(column), rows)
		}
	}
	if len(e.Points) != reflect.TypeFor[health.Points]().NumField() || rows < 60 || rows > 512 {
		t.Errorf("%d columns of %d rows", len(e.Points), rows)
	}
	for i, at := range e.Points["time"] {
		if moment := time.Unix(0, int64(*at*1e9)); moment.Before(driftBegin) || moment.After(driftBegin.Add(80*time.Hour)) || i > 0 && *at <= *e.Points["time"][i-1] {
			t.Fatalf("row %d is of %s", i, moment)
		}
	}
	if e.Learnt.Zero == nil || e.Learnt.SD == nil || e.Temperature.Correlation == nil || math.Abs(*e.Temperature.Correlation) > 1 || len(e.Shunts) == 0 {
		t.Errorf("%+v", e.Evidence)
	}

	// The service was one step or a few behind: its points are the first of these.
	if then := asked.web.Evidence; then == nil || len(then.Points["time"]) < 60 {
		t.Fatalf("the service had no evidence of %s", asked.web.To)
	} else {
		for name, column := range then.Points {
			for i := range min(len(column), rows) - 1 { // the last may have gone on
				if a, b := column[i], e.Points[name][i]; (a == nil) != (b == nil) || a != nil && *a != *b {
					t.Fatalf("%s of row %d: the service says %v, the files say %v", name, i, a, b)
				}
			}
		}
	}
	if status, text, errs := glueline(t.Context(), "drift", withoutHealth(t, data), "--kept"); status != 1 || !strings.Contains(errs, "no health file yet") {
		t.Errorf("a folder without health files: %d %s%s", status, text, errs)
	}
}

// The article comes before the gauge, and a gauge before what is not known.
func TestAttention(t *testing.T) {
	number := func(v float64) *float64 { return &v }
	said := saidOf("main", []health.Channel{
		{Channel: "well", Says: "healthy"},
		{Channel: "young", Says: health.Learning},
		{Channel: "wet", Says: "moisture", Moved: number(-2e-5), Ranked: []health.Cause{{Cause: "moisture", Decide: "read the insulation"}}},
		{Channel: "odd", Says: "healthy"},
		{Channel: "unsure", Says: "cannot tell", Moved: number(3e-5)},
		{Channel: "crack", Says: "structure", Moved: number(-9e-5)},
		{Channel: "wetter", Says: "moisture", Moved: number(4e-5)},
		{Channel: "off", Says: health.NoReading},
	}, []health.Residual{
		{Name: "pair", Beyond: "2026-05-06T10:00:00Z", Terms: []health.Term{{Channel: "odd", Factor: 1}, {Channel: "wetter", Factor: -1}}},
		{Name: "at peace", Terms: []health.Term{{Channel: "well", Factor: 1}, {Channel: "off", Factor: -1}}},
	})
	slices.SortStableFunc(said, byAttention)
	var order []string
	for _, c := range said {
		order = append(order, c.Channel.Channel+" "+string(c.Attention))
	}
	want := []string{"crack at once", "unsure at once", "wetter soon", "wet soon", "odd soon", "off later", "young later", "well none"}
	if !slices.Equal(order, want) {
		t.Errorf("%q, want %q", order, want)
	}
	if c := said[3]; c.Decide != "read the insulation" || !strings.Contains(c.Meaning, "leak") || c.Group != "main" {
		t.Errorf("%+v", c)
	}
	if c := said[4]; !slices.Equal(c.Disagrees, []string{"pair"}) || c.Decide != "" {
		t.Errorf("%+v", c)
	}
}
