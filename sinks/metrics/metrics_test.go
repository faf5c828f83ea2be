package metrics

import (
	"fmt"
	"io"
	"math"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/testutil"

	"glueline/pipeline/flag"
	"glueline/pipeline/group"
	"glueline/pipeline/testfile"
	"glueline/pipeline/worker"
)

var _ worker.PlanSink = (*Sink)(nil)

// plan has channels a, b, … on one node, all on steel, and a temperature.
func plan(t testing.TB, channels int) *group.Plan {
	t.Helper()
	var inputs, gauges, positions, wiring, list strings.Builder
	for i := range channels {
		name := "c" + fmt.Sprint(i)
		fmt.Fprintf(&gauges, "  %s: {lot: l}\n", name)
		fmt.Fprintf(&positions, "  %s: {material: plate}\n", name)
		fmt.Fprintf(&wiring, "  - {position: %s, gauge: %s, input: node%d/%s}\n", name, name, i/200, name)
		fmt.Fprintf(&list, "  %s: {bridge: quarter_3wire}\n", name)
		if i%200 == 0 {
			fmt.Fprintf(&inputs, "  node%d: {rate: 100 Hz, unit: V/V}\n", i/200)
		}
	}
	text := "test: {name: bench}\nsources:\n" + inputs.String() + "  air: {rate: 1 Hz, unit: degC}\nlots: {l: {resistance: 350 ohm, gauge-factor: 2}}\n" +
		"materials: {plate: {young: 200 GPa, poisson: 0.3, expansion: 12e-6 /K}}\ngauges:\n" + gauges.String() + "positions:\n" + positions.String() +
		"wiring:\n" + wiring.String() + "channels:\n" + list.String() + "temperatures: {air: {input: air/T}}\n"
	test, err := testfile.Parse("bench.yaml", []byte(text), nil)
	if err != nil {
		t.Fatal(err)
	}
	plans, err := group.Plans(test)
	if err != nil {
		t.Fatal(err)
	}
	return plans[0]
}

// batch has rows of a source: the strain of row i is i+1 microstrains, the stress
// a thousandfold, and the mask that of the row.
func batch(p *group.Plan, source string, masks ...flag.Mask) *group.Batch {
	b := &group.Batch{Source: source, Rows: len(masks)}
	for i := range masks {
		b.Time = append(b.Time, int64(i+1)*1e9)
	}
	for _, f := range p.Fields(source) {
		var c group.Column
		for i, m := range masks {
			switch {
			case f.Kind == group.Flags:
				c.Flags = append(c.Flags, uint32(m))
			case f.Quantity == group.Strain:
				c.Float = append(c.Float, float64(i+1)*1e-6)
			case f.Quantity == group.Stress:
				c.Float = append(c.Float, float64(i+1)*1e-3)
			default:
				c.Float = append(c.Float, 20+float64(i))
			}
		}
		b.Columns = append(b.Columns, c)
	}
	return b
}

func take(t testing.TB, s *Sink, b *group.Batch) {
	t.Helper()
	if err := s.Append(b); err != nil {
		t.Fatal(err)
	}
}

// looking is all that a service may know.
func looking(s *Sink) Look {
	return Look{
		Test: "bench", Digest: "0123456789abcdef", Version: "0", Began: time.Unix(1000, 0), Ready: true, ReloadOK: true,
		Disks: []Disk{{"data", 5e9}, {"journal", 6e9}},
		Groups: []Group{{
			Name: "main", Sink: s, Doing: "working", Frames: 4, Quarantined: 1, Repeated: 2, Commits: 3, LagMessages: 7, Lag: 1500 * time.Millisecond,
			Journal:  &Journal{1 << 20, 1 << 30},
			Channels: map[string]Channel{"c0": {Position: "c0", Material: "plate", Bridge: "quarter_3wire"}, "c1": {}},
			Health: &Health{
				UpTo: time.Unix(1900, 0),
				Channels: map[string]ChannelHealth{
					"c0": {"moisture", "likely", time.Unix(1500, 0), -31e-6, 0.25},
					"c1": {Says: "learning", Drift: math.NaN(), Damage: math.NaN()},
				},
				Residuals: []Residual{
					{"pair", "redundant", []string{"c0", "c1"}, 3e-5, 2e-5},
					{"new", "four grids", []string{"c0", "c1"}, math.NaN(), math.NaN()},
				},
			},
		}},
	}
}

func collectorOf(s *Sink) *Collector {
	return New(func() Look { return looking(s) }, []string{"working", "waiting"})
}

// TestNames holds names, helps and units to the linter of the client library.
func TestNames(t *testing.T) {
	p := plan(t, 2)
	s := NewSink(p)
	take(t, s, batch(p, "node0", 0, flag.OverLimit))
	take(t, s, batch(p, "air", 0))
	if err := s.Cut(nil); err != nil {
		t.Fatal(err)
	}
	r := prometheus.NewPedanticRegistry()
	if err := r.Register(collectorOf(s)); err != nil {
		t.Fatal(err)
	}
	problems, err := testutil.GatherAndLint(r)
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range problems {
		t.Errorf("%s: %s", p.Metric, p.Text)
	}
	families, err := r.Gather()
	if err != nil {
		t.Fatal(err)
	}
	// Every description but that of auxiliary quantities, of which there is none.
	if len(families) != len(descriptions)-1 {
		t.Errorf("%d metrics of %d descriptions", len(families), len(descriptions))
	}
	ofC0 := 0
	for _, f := range families {
		for _, m := range f.GetMetric() {
			for _, l := range m.GetLabel() {
				if l.GetName() == "channel" && l.GetValue() == "c0" && f.GetName() != nameOf(residualInfo) {
					ofC0++
				}
			}
		}
	}
	if ofC0 != 10 {
		t.Errorf("%d series of one channel, want 10, the most that one may have", ofC0)
	}
}

func TestFigures(t *testing.T) {
	p := plan(t, 1)
	s := NewSink(p)
	s.now = func() time.Time { return time.Unix(2000, 0) }
	take(t, s, batch(p, "node0", flag.ShuntOn, flag.OverLimit|flag.Late))
	take(t, s, batch(p, "node0", 0, 0, flag.OverLimit, flag.ShuntOn|flag.Late))
	take(t, s, batch(p, "air", 0, 0))
	if err := s.Cut(nil); err != nil {
		t.Fatal(err)
	}
	want := `
# HELP glueline_channel_damage_ratio Damage that its cycles summed up to, 1 for the life of the S-N curve of the test file; none without a curve.
# TYPE glueline_channel_damage_ratio gauge
glueline_channel_damage_ratio{channel="c0",source="node0"} 0.25
# HELP glueline_channel_drift_onset_timestamp_seconds Since when it moved, by the clock of its source; none while it is not said to move.
# TYPE glueline_channel_drift_onset_timestamp_seconds gauge
glueline_channel_drift_onset_timestamp_seconds{channel="c0",source="node0"} 1500
# HELP glueline_channel_drift_ratio How far its zero moved (m/m); none before it has learnt how it behaves.
# TYPE glueline_channel_drift_ratio gauge
glueline_channel_drift_ratio{channel="c0",source="node0"} -3.1e-05
# HELP glueline_channel_health 1 with what the newest health file says of the channel: healthy, learning, no reading, cannot tell, or the likeliest cause why it moved, and how sure that is.
# TYPE glueline_channel_health gauge
glueline_channel_health{certainty="likely",channel="c0",says="moisture",source="node0"} 1
# HELP glueline_channel_info 1 for each channel of the test file in force, with what does not change.
# TYPE glueline_channel_info gauge
glueline_channel_info{bridge="quarter_3wire",channel="c0",group="main",material="plate",position="c0",quantity="strain",source="node0"} 1
# HELP glueline_channel_last_good_timestamp_seconds Time of that row, by the clock of its source.
# TYPE glueline_channel_last_good_timestamp_seconds gauge
glueline_channel_last_good_timestamp_seconds{channel="c0",source="node0"} 3
# HELP glueline_channel_left_out_rows_total Of these, rows with a flag that leaves them out of summaries, cycles and limits.
# TYPE glueline_channel_left_out_rows_total counter
glueline_channel_left_out_rows_total{channel="c0",source="node0"} 2
# HELP glueline_channel_rows_total Rows of the channel since the process began.
# TYPE glueline_channel_rows_total counter
glueline_channel_rows_total{channel="c0",source="node0"} 6
# HELP glueline_channel_strain_ratio Strain (m/m) since the zero in force, of the newest row that nothing leaves out.
# TYPE glueline_channel_strain_ratio gauge
glueline_channel_strain_ratio{channel="c0",source="node0"} 3e-06
# HELP glueline_channel_stress_pascals Stress as the change since the zero in force, of the same row.
# TYPE glueline_channel_stress_pascals gauge
glueline_channel_stress_pascals{channel="c0",source="node0"} 0.003
# HELP glueline_group_health_timestamp_seconds Time of the newest row that the newest health file knows, by the clock of its source; none before the first file.
# TYPE glueline_group_health_timestamp_seconds gauge
glueline_group_health_timestamp_seconds{group="main"} 1900
# HELP glueline_group_health_up 1 while health files are made without an error.
# TYPE glueline_group_health_up gauge
glueline_group_health_up{group="main"} 1
# HELP glueline_group_last_commit_timestamp_seconds When the newest of them was, by this machine's clock; none before the first.
# TYPE glueline_group_last_commit_timestamp_seconds gauge
glueline_group_last_commit_timestamp_seconds{group="main"} 2000
# HELP glueline_residual_info 1 for each channel of a declared pair or rosette, with what it is.
# TYPE glueline_residual_info gauge
glueline_residual_info{channel="c0",form="four grids",group="main",residual="new"} 1
glueline_residual_info{channel="c0",form="redundant",group="main",residual="pair"} 1
glueline_residual_info{channel="c1",form="four grids",group="main",residual="new"} 1
glueline_residual_info{channel="c1",form="redundant",group="main",residual="pair"} 1
# HELP glueline_residual_limit_strain_ratio How much of it is allowed, either way (m/m).
# TYPE glueline_residual_limit_strain_ratio gauge
glueline_residual_limit_strain_ratio{form="redundant",group="main",residual="pair"} 2e-05
# HELP glueline_residual_strain_ratio What a declared pair or the grids of a rosette left over in the newest hour (m/m); its channels stand in residual_info.
# TYPE glueline_residual_strain_ratio gauge
glueline_residual_strain_ratio{form="redundant",group="main",residual="pair"} 3e-05
# HELP glueline_source_last_row_timestamp_seconds Highest time of a row, by the clock of its source.
# TYPE glueline_source_last_row_timestamp_seconds gauge
glueline_source_last_row_timestamp_seconds{group="main",source="air"} 2
glueline_source_last_row_timestamp_seconds{group="main",source="node0"} 4
# HELP glueline_temperature_celsius Newest temperature; none where the newest row has none.
# TYPE glueline_temperature_celsius gauge
glueline_temperature_celsius{source="air",temperature="air"} 21
`
	var names []string
	for _, line := range strings.Split(want, "\n") {
		if rest, ok := strings.CutPrefix(line, "# TYPE "); ok {
			name, _, _ := strings.Cut(rest, " ")
			names = append(names, name)
		}
	}
	if err := testutil.CollectAndCompare(collectorOf(s), strings.NewReader(want), names...); err != nil {
		t.Error(err)
	}
	flags := scrape(t, s)
	for _, line := range []string{
		`glueline_group_flagged_rows_total{flag="shunt-on",group="main"} 2`,
		`glueline_group_flagged_rows_total{flag="over-limit",group="main"} 2`,
		`glueline_group_flagged_rows_total{flag="late",group="main"} 2`,
		`glueline_group_flagged_rows_total{flag="open",group="main"} 0`,
		`glueline_group_doing{doing="waiting",group="main"} 0`,
		`glueline_group_doing{doing="working",group="main"} 1`,
		`glueline_group_lag_seconds{group="main"} 1.5`,
		`glueline_group_journal_limit_bytes{group="main"} 1.073741824e+09`,
		`glueline_last_reload_timestamp_seconds 1000`,
		`glueline_disk_free_bytes{folder="journal"} 6e+09`,
		`glueline_test_info{digest="0123456789abcdef",test="bench"} 1`,
	} {
		if !strings.Contains(flags, line+"\n") {
			t.Errorf("no line %s", line)
		}
	}
}

func scrape(t testing.TB, s *Sink) string {
	t.Helper()
	return scrapeOf(t, collectorOf(s))
}

func scrapeOf(t testing.TB, c *Collector) string {
	t.Helper()
	h, err := Handler(c)
	if err != nil {
		t.Fatal(err)
	}
	w := httptest.NewRecorder()
	h.ServeHTTP(w, httptest.NewRequest("GET", "/metrics", nil))
	text, err := io.ReadAll(w.Body)
	if err != nil || w.Code != 200 {
		t.Fatalf("status %d, %v\n%s", w.Code, err, text)
	}
	return string(text)
}

// A channel that the test file has no more has no series, and one that stays
// counts on.
func TestRemovedChannelsVanish(t *testing.T) {
	three, two := plan(t, 3), plan(t, 2)
	s := NewSink(three)
	take(t, s, batch(three, "node0", 0))
	if text := scrape(t, s); !strings.Contains(text, `channel="c2"`) {
		t.Fatalf("no c2 in\n%s", text)
	}
	s.Use(two)
	take(t, s, batch(two, "node0", 0))
	text := scrape(t, s)
	if strings.Contains(text, `"c2"`) {
		t.Error("c2 is there still")
	}
	if !strings.Contains(text, `glueline_channel_rows_total{channel="c1",source="node0"} 2`+"\n") {
		t.Error("c1 did not count on")
	}
}

func TestBeforeAnyRowAndWithoutValues(t *testing.T) {
	p := plan(t, 1)
	s := NewSink(p)
	absent := func(when string, names ...string) {
		t.Helper()
		text := scrape(t, s)
		for _, name := range names {
			if strings.Contains(text, "\nglueline_"+name+"{") {
				t.Errorf("%s: %s is there", when, name)
			}
		}
		if strings.Contains(text, "NaN") {
			t.Errorf("%s: a series without a number", when)
		}
	}
	absent("before any row", "channel_strain_ratio", "channel_stress_pascals", "channel_last_good_timestamp_seconds", "source_last_row_timestamp_seconds", "temperature_celsius", "group_last_commit_timestamp_seconds")
	b := batch(p, "node0", 0, 0)
	for i, f := range p.Fields("node0") {
		if f.Kind == group.Number {
			b.Columns[i].Float[0], b.Columns[i].Float[1] = math.NaN(), math.NaN()
		}
	}
	take(t, s, b)
	absent("without values", "channel_strain_ratio", "channel_last_good_timestamp_seconds")
	take(t, s, batch(p, "another")) // of no source, and empty
	b.Columns = b.Columns[:1]       // of another plan
	take(t, s, b)
	if text := scrape(t, s); !strings.Contains(text, `glueline_source_rows_total{group="main",source="node0"} 2`+"\n") {
		t.Error("rows of another plan were counted")
	}
}

// What is not known of a channel's health is left out, and so is what a health file
// says of channels that the test file has no more.
func TestHealth(t *testing.T) {
	p := plan(t, 2)
	s := NewSink(p)
	l := looking(s)
	l.Groups[0].Health.Channels["gone"] = ChannelHealth{Says: "healthy"}
	l.Groups[0].Health.Residuals = append(l.Groups[0].Health.Residuals, Residual{"of old", "poisson", []string{"c0", "gone"}, 1e-6, 2e-6})
	text := scrapeOf(t, New(func() Look { return l }, nil))
	for _, want := range []string{`glueline_channel_health{certainty="",channel="c1",says="learning",source="node0"} 1`} {
		if !strings.Contains(text, want+"\n") {
			t.Errorf("no line %s", want)
		}
	}
	for _, not := range []string{"gone", "of old", "NaN", `glueline_channel_drift_ratio{channel="c1"`, `glueline_channel_damage_ratio{channel="c1"`, `glueline_channel_drift_onset_timestamp_seconds{channel="c1"`} {
		if strings.Contains(text, not) {
			t.Errorf("%s is there", not)
		}
	}
	l.Groups[0].Health = &Health{Failed: true}
	text = scrapeOf(t, New(func() Look { return l }, nil))
	if !strings.Contains(text, "glueline_group_health_up{group=\"main\"} 0\n") || strings.Contains(text, "\nglueline_channel_health{") || strings.Contains(text, "\nglueline_group_health_timestamp_seconds{") {
		t.Errorf("health that goes no further, before any file\n%s", text)
	}
	l.Groups[0].Health = nil
	if text = scrapeOf(t, New(func() Look { return l }, nil)); strings.Contains(text, "health") {
		t.Errorf("health that nobody looked at\n%s", text)
	}
}

// A journal that does not answer is told of, and the rest all the same.
func TestJournalDown(t *testing.T) {
	s := NewSink(plan(t, 1))
	l := looking(s)
	l.Groups[0].Journal = nil
	c := New(func() Look { return l }, []string{"working"})
	want := "# HELP glueline_group_journal_up 1 while the group's journal answers.\n# TYPE glueline_group_journal_up gauge\nglueline_group_journal_up{group=\"main\"} 0\n"
	if err := testutil.CollectAndCompare(c, strings.NewReader(want), "glueline_group_journal_up", "glueline_group_journal_bytes"); err != nil {
		t.Error(err)
	}
}

// Rows come while scrapes are answered; the race detector watches.
func TestScrapesWhileRowsCome(t *testing.T) {
	p := plan(t, 20)
	s := NewSink(p)
	var done sync.WaitGroup
	done.Go(func() {
		for range 200 {
			take(t, s, batch(p, "node0", 0, flag.Late, 0))
			s.Use(p)
		}
	})
	for range 20 {
		scrape(t, s)
	}
	done.Wait()
	if text := scrape(t, s); !strings.Contains(text, `glueline_channel_rows_total{channel="c7",source="node0"} 600`+"\n") {
		t.Error("rows were lost")
	}
}

func TestNoAllocationPerRow(t *testing.T) {
	p := plan(t, 4)
	s := NewSink(p)
	masks := make([]flag.Mask, 1000)
	masks[5], masks[900] = flag.Late, flag.ShuntOn
	b := batch(p, "node0", masks...)
	if n := testing.AllocsPerRun(20, func() { take(t, s, b) }); n != 0 {
		t.Errorf("%g allocations a batch", n)
	}
}

// BenchmarkScrape is of 2,000 channels that have all that a channel may have, in
// 1,000 pairs; 100 ms a scrape is what they may take.
func BenchmarkScrape(b *testing.B) {
	const channels = 2000
	p := plan(b, channels)
	s := NewSink(p)
	for i := range channels / 200 {
		take(b, s, batch(p, fmt.Sprintf("node%d", i), 0, flag.Late))
	}
	l := looking(s)
	g := &l.Groups[0]
	g.Health.Residuals = nil
	for i := range channels {
		name := fmt.Sprintf("c%d", i)
		g.Channels[name] = Channel{Position: name, Material: "plate", Bridge: "quarter_3wire"}
		g.Health.Channels[name] = ChannelHealth{"moisture", "likely", time.Unix(1500, 0), -31e-6, 0.25}
		if i%2 == 1 {
			g.Health.Residuals = append(g.Health.Residuals, Residual{"pair of " + name, "redundant", []string{fmt.Sprintf("c%d", i-1), name}, 3e-5, 2e-5})
		}
	}
	h, err := Handler(New(func() Look { return l }, []string{"working"}))
	if err != nil {
		b.Fatal(err)
	}
	var size int
	for b.Loop() {
		w := httptest.NewRecorder()
		h.ServeHTTP(w, httptest.NewRequest("GET", "/metrics", nil))
		size = w.Body.Len()
	}
	b.ReportMetric(b.Elapsed().Seconds()*1e3/float64(b.N), "ms/scrape")
	b.ReportMetric(float64(size), "bytes")
}

func BenchmarkAppend(b *testing.B) {
	p := plan(b, 32)
	s := NewSink(p)
	rows := batch(p, "node0", make([]flag.Mask, 8192)...)
	for b.Loop() {
		take(b, s, rows)
	}
	b.ReportMetric(float64(b.N)*8192*32/1e6/b.Elapsed().Seconds(), "Msamples/s")
}
