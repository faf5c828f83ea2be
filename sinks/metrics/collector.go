package metrics

import (
	"cmp"
	"math"
	"math/bits"
	"net/http"
	"runtime"
	"slices"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"glueline/pipeline/flag"
	"glueline/pipeline/group"
)

// Collector is a prometheus.Collector of all groups.
type Collector struct {
	look   func() Look
	doings []string
}

// New returns a collector that asks look at each scrape, from any goroutine.
// doings are all the words that Group.Doing may be.
func New(look func() Look, doings []string) *Collector {
	return &Collector{look, doings}
}

func describe(name, help string, labels ...string) *prometheus.Desc {
	return prometheus.NewDesc("glueline_"+name, help, labels, nil)
}

var (
	channelInfo    = describe("channel_info", "1 for each channel of the test file in force, with what does not change.", "source", "channel", "group", "quantity", "position", "material", "bridge")
	channelRows    = describe("channel_rows_total", "Rows of the channel since the process began.", "source", "channel")
	channelLeftOut = describe("channel_left_out_rows_total", "Of these, rows with a flag that leaves them out of summaries, cycles and limits.", "source", "channel")
	channelStrain  = describe("channel_strain_ratio", "Strain (m/m) since the zero in force, of the newest row that nothing leaves out.", "source", "channel")
	channelStress  = describe("channel_stress_pascals", "Stress as the change since the zero in force, of the same row.", "source", "channel")
	channelGood    = describe("channel_last_good_timestamp_seconds", "Time of that row, by the clock of its source.", "source", "channel")
	channelHealth  = describe("channel_health", "1 with what the newest health file says of the channel: healthy, learning, no reading, cannot tell, or the likeliest cause why it moved, and how sure that is.", "source", "channel", "says", "certainty")
	channelSince   = describe("channel_drift_onset_timestamp_seconds", "Since when it moved, by the clock of its source; none while it is not said to move.", "source", "channel")
	channelDrift   = describe("channel_drift_ratio", "How far its zero moved (m/m); none before it has learnt how it behaves.", "source", "channel")
	channelDamage  = describe("channel_damage_ratio", "Damage that its cycles summed up to, 1 for the life of the S-N curve of the test file; none without a curve.", "source", "channel")

	residual      = describe("residual_strain_ratio", "What a declared pair or the grids of a rosette left over in the newest hour (m/m); its channels stand in residual_info.", "group", "residual", "form")
	residualLimit = describe("residual_limit_strain_ratio", "How much of it is allowed, either way (m/m).", "group", "residual", "form")
	residualInfo  = describe("residual_info", "1 for each channel of a declared pair or rosette, with what it is.", "group", "residual", "form", "channel")

	temperature = describe("temperature_celsius", "Newest temperature; none where the newest row has none.", "source", "temperature")
	auxiliary   = describe("auxiliary_value", "Newest value of an auxiliary quantity, in the unit that the test file gives it.", "source", "auxiliary", "unit")

	sourceRow  = describe("source_last_row_timestamp_seconds", "Highest time of a row, by the clock of its source.", "group", "source")
	sourceRows = describe("source_rows_total", "Rows of the source that were reduced since the process began.", "group", "source")

	groupDoing       = describe("group_doing", "1 at what the group does; it keeps up while that is working.", "group", "doing")
	groupFrames      = describe("group_frames_total", "Frames that were reduced since the process began.", "group")
	groupQuarantined = describe("group_quarantined_messages_total", "Messages that were refused and kept aside.", "group")
	groupRepeated    = describe("group_repeated_frames_total", "Frames that had come before and were dropped.", "group")
	groupCommits     = describe("group_commits_total", "Cuts whose files were committed.", "group")
	groupCommit      = describe("group_last_commit_timestamp_seconds", "When the newest of them was, by this machine's clock; none before the first.", "group")
	groupBehind      = describe("group_lag_messages", "Messages of the journal that are not reduced yet.", "group")
	groupLag         = describe("group_lag_seconds", "Age of the newest reduced message while others wait; 0 while none does.", "group")
	groupHealth      = describe("group_health_timestamp_seconds", "Time of the newest row that the newest health file knows, by the clock of its source; none before the first file.", "group")
	groupHealthOK    = describe("group_health_up", "1 while health files are made without an error.", "group")
	groupFlagged     = describe("group_flagged_rows_total", "Rows of channels that carry the flag; a row with two counts at both.", "group", "flag")
	journalUp        = describe("group_journal_up", "1 while the group's journal answers.", "group")
	journalBytes     = describe("group_journal_bytes", "Bytes that the journal holds.", "group")
	journalLimit     = describe("group_journal_limit_bytes", "Bytes at which the journal refuses more.", "group")

	buildInfo = describe("build_info", "1, with the program's version and what it was built with.", "version", "goversion", "goarch")
	testInfo  = describe("test_info", "1, with the test and the digest of its test file in force.", "test", "digest")
	start     = describe("start_timestamp_seconds", "When the service began.")
	ready     = describe("ready", "1 while every group keeps up.")
	reload    = describe("last_reload_timestamp_seconds", "When the test file was last asked to be read anew; the start when never.")
	reloadOK  = describe("last_reload_successful", "1 unless that was refused; what was in force before stays then.")
	diskFree  = describe("disk_free_bytes", "Room on the disk of a folder.", "folder")
)

var descriptions = []*prometheus.Desc{
	channelInfo, channelRows, channelLeftOut, channelStrain, channelStress, channelGood,
	channelHealth, channelSince, channelDrift, channelDamage, residual, residualLimit, residualInfo,
	temperature, auxiliary, sourceRow, sourceRows,
	groupDoing, groupFrames, groupQuarantined, groupRepeated, groupCommits, groupCommit, groupBehind, groupLag, groupHealth, groupHealthOK, groupFlagged,
	journalUp, journalBytes, journalLimit,
	buildInfo, testInfo, start, ready, reload, reloadOK, diskFree,
}

// Describe lists all metrics that there can be.
func (c *Collector) Describe(to chan<- *prometheus.Desc) {
	for _, d := range descriptions {
		to <- d
	}
}

// sending is one scrape under way.
type sending chan<- prometheus.Metric

func (to sending) metric(kind prometheus.ValueType, d *prometheus.Desc, value float64, labels ...string) {
	m, err := prometheus.NewConstMetric(d, kind, value, labels...)
	if err != nil {
		m = prometheus.NewInvalidMetric(d, err) // the scrape says so
	}
	to <- m
}

func (to sending) gauge(d *prometheus.Desc, value float64, labels ...string) {
	to.metric(prometheus.GaugeValue, d, value, labels...)
}

// known sends a number that may be NaN, for not known, and then is not sent.
func (to sending) known(d *prometheus.Desc, value float64, labels ...string) {
	if !math.IsNaN(value) {
		to.gauge(d, value, labels...)
	}
}

func (to sending) total(d *prometheus.Desc, value uint64, labels ...string) {
	to.metric(prometheus.CounterValue, d, float64(value), labels...)
}

// one is 1 at the word that holds and 0 at the others; labels come before it.
func (to sending) one(d *prometheus.Desc, words []string, holds string, labels ...string) {
	for _, word := range words {
		to.gauge(d, truth(word == holds), append(labels[:len(labels):len(labels)], word)...)
	}
}

func truth(yes bool) float64 {
	if yes {
		return 1
	}
	return 0
}

func seconds(t time.Time) float64 { return float64(t.UnixNano()) / 1e9 }

// Collect sends what is at this moment.
func (c *Collector) Collect(metrics chan<- prometheus.Metric) {
	to, l := sending(metrics), c.look()
	to.gauge(buildInfo, 1, l.Version, runtime.Version(), runtime.GOARCH)
	to.gauge(testInfo, 1, l.Test, l.Digest)
	to.gauge(start, seconds(l.Began))
	to.gauge(ready, truth(l.Ready))
	reloaded := l.Reloaded
	if reloaded.IsZero() {
		reloaded = l.Began
	}
	to.gauge(reload, seconds(reloaded))
	to.gauge(reloadOK, truth(l.ReloadOK))
	for _, d := range l.Disks {
		to.gauge(diskFree, float64(d.Free), d.Folder)
	}
	for i := range l.Groups {
		c.group(to, &l.Groups[i])
	}
}

func (c *Collector) group(to sending, g *Group) {
	to.one(groupDoing, c.doings, g.Doing, g.Name)
	to.total(groupFrames, g.Frames, g.Name)
	to.total(groupQuarantined, g.Quarantined, g.Name)
	to.total(groupRepeated, g.Repeated, g.Name)
	to.total(groupCommits, g.Commits, g.Name)
	to.gauge(groupBehind, float64(g.LagMessages), g.Name)
	to.gauge(groupLag, g.Lag.Seconds(), g.Name)
	to.gauge(journalUp, truth(g.Journal != nil), g.Name)
	if g.Journal != nil {
		to.gauge(journalBytes, float64(g.Journal.Bytes), g.Name)
		to.gauge(journalLimit, float64(g.Journal.Limit), g.Name)
	}
	g.collectHealth(to)
	g.Sink.collect(to, g)
}

// collect sends what was gathered. It is copied with the sink locked, so that it
// is of one moment, and sent without, so that no row waits for a scrape.
func (s *Sink) collect(to sending, g *Group) {
	s.mutex.Lock()
	committed := s.committed
	var sources []namedCounts
	for name, source := range s.sources {
		sources = append(sources, namedCounts{name, source.copy()})
	}
	s.mutex.Unlock()
	slices.SortFunc(sources, func(a, b namedCounts) int { return cmp.Compare(a.name, b.name) })

	if !committed.IsZero() {
		to.gauge(groupCommit, seconds(committed), g.Name)
	}
	var byFlag [32]uint64
	for _, source := range sources {
		source.counts.collect(to, source.name, g)
		for i, n := range source.counts.byFlag {
			byFlag[i] += n
		}
	}
	for _, f := range flag.All() {
		to.total(groupFlagged, byFlag[bits.TrailingZeros32(uint32(f.Mask))], g.Name, f.Name)
	}
}

type namedCounts struct {
	name   string
	counts *sourceCounts
}

func (s *sourceCounts) copy() *sourceCounts {
	c := *s
	c.channels = slices.Clone(s.channels)
	c.values = slices.Clone(s.values)
	return &c
}

func (s *sourceCounts) collect(to sending, name string, g *Group) {
	to.total(sourceRows, s.rows, g.Name, name)
	if s.rows > 0 {
		to.gauge(sourceRow, float64(s.newest)/1e9, g.Name, name)
	}
	for i := range s.channels {
		c := &s.channels[i]
		fact := g.Channels[c.name]
		to.gauge(channelInfo, 1, name, c.name, g.Name, string(c.quantity), fact.Position, fact.Material, fact.Bridge)
		to.total(channelRows, c.rows, name, c.name)
		to.total(channelLeftOut, c.leftOut, name, c.name)
		g.Health.collect(to, name, c.name)
		if math.IsNaN(c.strain) {
			continue
		}
		to.gauge(channelStrain, c.strain, name, c.name)
		to.gauge(channelGood, float64(c.at)/1e9, name, c.name)
		if c.stressAt >= 0 {
			to.gauge(channelStress, c.stress, name, c.name)
		}
	}
	for _, v := range s.values {
		switch {
		case math.IsNaN(v.value):
		case v.field.Quantity == group.Temperature:
			to.gauge(temperature, v.value, name, v.field.Of)
		default:
			to.gauge(auxiliary, v.value, name, v.field.Of, v.field.Unit)
		}
	}
}

// collect sends what is said of a channel.
func (h *Health) collect(to sending, source, channel string) {
	if h == nil {
		return
	}
	c, said := h.Channels[channel]
	if !said {
		return
	}
	to.gauge(channelHealth, 1, source, channel, c.Says, c.Certainty)
	if !c.Since.IsZero() {
		to.gauge(channelSince, seconds(c.Since), source, channel)
	}
	to.known(channelDrift, c.Drift, source, channel)
	to.known(channelDamage, c.Damage, source, channel)
}

// collectHealth sends how far health is known, and what pairs and rosettes leave
// over whose channels the test file has still.
func (g *Group) collectHealth(to sending) {
	h := g.Health
	if h == nil {
		return
	}
	to.gauge(groupHealthOK, truth(!h.Failed), g.Name)
	if !h.UpTo.IsZero() {
		to.gauge(groupHealth, seconds(h.UpTo), g.Name)
	}
	for _, r := range h.Residuals {
		if slices.ContainsFunc(r.Channels, func(name string) bool { _, there := g.Channels[name]; return !there }) {
			continue
		}
		for _, name := range r.Channels {
			to.gauge(residualInfo, 1, g.Name, r.Name, r.Form, name)
		}
		to.known(residual, r.Newest, g.Name, r.Name, r.Form)
		to.known(residualLimit, r.Limit, g.Name, r.Name, r.Form)
	}
}

// Handler answers scrapes with the collector's metrics and those of the Go
// runtime and the process. Two scrapes at a time are answered, more are refused.
func Handler(c *Collector) (http.Handler, error) {
	r := prometheus.NewRegistry()
	for _, each := range []prometheus.Collector{c, collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{})} {
		if err := r.Register(each); err != nil {
			return nil, err
		}
	}
	return promhttp.HandlerFor(r, promhttp.HandlerOpts{MaxRequestsInFlight: 2, Timeout: 10 * time.Second}), nil
}
