package alarm

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"maps"
	"math"
	"slices"
	"time"

	"glueline/pipeline/event"
	"glueline/pipeline/flag"
	"glueline/pipeline/group"
)

// Decision is that one person is to be told of one alarm, or would have been.
type Decision struct {
	ID      string    `json:"id"` // the same whenever the same journal is read
	Test    string    `json:"test"`
	Group   string    `json:"group"`
	Alarm   string    `json:"alarm"` // what it is acknowledged by
	Of      string    `json:"of"`
	Level   string    `json:"level"`
	Kind    string    `json:"kind"` // raised, repeated or held
	Who     string    `json:"who,omitempty"`
	Since   time.Time `json:"since"` // its cause began to count
	At      time.Time `json:"at"`    // of the decision, in the time of the data
	Reading string    `json:"reading"`
	Value   float64   `json:"value"` // 0 for flags and silence
	Unit    string    `json:"unit,omitempty"`
	Text    string    `json:"text"`
	Action  string    `json:"action,omitempty"`
	Notice  string    `json:"notice"` // what this is not
}

// Monitors is what every message says of itself.
const Monitors = "Glueline monitors; it is not a protective system. Do not rely on this message for anybody's safety."

// Engine decides for one group. It is not for several goroutines at once.
type Engine struct {
	rules     *Rules
	state     State
	due       int64 // the earliest of all alarms; MaxInt64 for none
	active    []*condition
	decisions []Decision
}

// New returns an engine that has seen nothing.
func New(r *Rules) *Engine { return &Engine{rules: r, state: newState(), due: math.MaxInt64} }

// Restore returns an engine that goes on from what MarshalState gave.
func Restore(r *Rules, text []byte) (*Engine, error) {
	s, err := parseState(text)
	if err != nil {
		return nil, err
	}
	e := &Engine{rules: r, state: s}
	e.findDue()
	e.Use(r)
	return e, nil
}

// MarshalState gives what a restart goes on from.
func (e *Engine) MarshalState() ([]byte, error) { return json.Marshal(&e.state) }

// Use has other rules hold from here on. A condition that is no more is over;
// its alarm waits for an acknowledgement all the same.
func (e *Engine) Use(r *Rules) {
	e.rules = r
	known := map[string]*condition{}
	for _, c := range r.conditions {
		known[c.key] = c
	}
	for _, key := range slices.Sorted(maps.Keys(e.state.Watches)) {
		if known[key] == nil {
			delete(e.state.Watches, key)
		}
	}
	for _, key := range slices.Sorted(maps.Keys(e.state.Open)) {
		if a := e.state.Open[key]; known[key] == nil && a.Level > None {
			e.fall(a, None)
		}
	}
}

// Batch judges the rows of a batch and returns what follows; the slice holds
// until the next call.
func (e *Engine) Batch(b *group.Batch) []Decision {
	e.decisions = e.decisions[:0]
	if b.Rows == 0 {
		return nil
	}
	e.active = e.active[:0]
	for _, c := range e.rules.bySource[b.Source] {
		if len(b.Columns) > max(c.value, c.flags) && (e.state.Watches[c.key] != nil || c.stirs(b)) {
			e.active = append(e.active, c)
		}
	}
	if a := e.state.Open["silence/"+b.Source]; a != nil && a.Level > None {
		e.advance(b.Time[0])
		e.fall(a, None)
	}
	for i, at := range b.Time[:b.Rows] {
		if newest, any := e.state.Newest[b.Source]; !any || at > newest {
			e.state.Newest[b.Source] = at
		}
		if at > e.state.Now {
			e.advance(at)
		}
		for _, c := range e.active {
			e.judge(c, b, i)
		}
	}
	return e.decisions
}

// stirs says whether any row could do something to a condition at rest.
func (c *condition) stirs(b *group.Batch) bool {
	if c.value < 0 {
		return slices.ContainsFunc(b.Columns[c.flags].Flags[:b.Rows], func(m uint32) bool { return flag.Mask(m)&c.mask != 0 })
	}
	low, high := math.Inf(-1), math.Inf(1)
	for l := Notice; l <= Danger; l++ {
		if c.above[l].given {
			high = min(high, c.above[l].at)
		}
		if c.below[l].given {
			low = max(low, c.below[l].at)
		}
	}
	return slices.ContainsFunc(b.Columns[c.value].Float[:b.Rows], func(v float64) bool { return v >= high || v <= low })
}

// judge takes one row to one condition. A row that flags leave out, or without a
// value, neither counts nor breaks a run.
func (e *Engine) judge(c *condition, b *group.Batch, row int) {
	var v float64
	var mask flag.Mask
	if c.flags >= 0 {
		mask = flag.Mask(b.Columns[c.flags].Flags[row])
	}
	if c.value >= 0 {
		v = b.Columns[c.value].Float[row]
		if math.IsNaN(v) || math.IsInf(v, 0) || mask&flag.LeavesOutOfAlarms != 0 {
			return
		}
	}
	w := e.state.Watches[c.key]
	if w == nil {
		w = new(Watch)
		e.state.Watches[c.key] = w
	}
	before := w.Level
	since := w.take(c, b.Time[row], v, mask)
	if w.atRest() {
		delete(e.state.Watches, c.key)
	}
	switch {
	case w.Level > before:
		text := c.says(w.Level, v, mask)
		e.raise(&Alarm{Key: c.key, Rule: c.rule, Of: c.of, Level: w.Level, Since: since, Value: v, Reading: c.reading, Unit: c.unit, Text: text, Action: c.action})
	case w.Level < before:
		if a := e.state.Open[c.key]; a != nil {
			e.fall(a, w.Level)
		}
	}
}

// take moves a watch by one sample; since is when the level that it has reached
// began to count.
func (w *Watch) take(c *condition, at int64, v float64, mask flag.Mask) (since int64) {
	beyond := func(l Level) bool {
		if c.value < 0 {
			return mask&c.mask != 0
		}
		return c.beyond(l, v)
	}
	reached := w.Level
	for l := w.Level + 1; l <= Danger; l++ {
		if !c.has(l) {
			continue
		}
		run := &w.Runs[l]
		if !beyond(l) {
			*run = Run{}
			continue
		}
		if run.Count == 0 || at < run.Since {
			run.Since = at
		}
		if run.Count < c.samples { // it counts no further than it must
			run.Count++
		}
		if run.Count >= c.samples && at-run.Since >= c.lasting {
			reached, since = l, run.Since
		}
	}
	if reached > w.Level {
		w.Level = reached
		for l := Notice; l <= reached; l++ {
			w.Runs[l] = Run{}
		}
		return since
	}
	for w.Level > None && !(c.has(w.Level) && c.stays(w.Level, v, mask)) {
		w.Level--
	}
	return 0
}

func (c *condition) stays(l Level, v float64, mask flag.Mask) bool {
	if c.value < 0 {
		return mask&c.mask != 0
	}
	return c.beyond(l, v) || c.holds(l, v)
}

// says is a condition in words.
func (c *condition) says(l Level, v float64, mask flag.Mask) string {
	if c.value < 0 {
		return fmt.Sprintf("%s is flagged %s", c.of, mask&c.mask)
	}
	side, limit := "above", c.above[l].at
	if !c.above[l].given || c.below[l].given && v <= c.below[l].at {
		side, limit = "below", c.below[l].at
	}
	return fmt.Sprintf("%s of %s is %s, %s its %s of %s", c.reading, c.of, shown(v, c.unit), side, l, shown(limit, c.unit))
}

// shown is a value as people read it; inside it stays in base units.
func shown(v float64, unit string) string {
	switch unit {
	case "m/m":
		return fmt.Sprintf("%.1f microstrain", v*1e6)
	case "Pa":
		return fmt.Sprintf("%.2f MPa", v/1e6)
	}
	return fmt.Sprintf("%.6g %s", v, unit)
}

// raise has a condition be true at a level from now on.
func (e *Engine) raise(n *Alarm) {
	a := e.state.Open[n.Key]
	if a == nil {
		e.state.Raised[n.Key]++
		n.Number = e.state.Raised[n.Key]
		e.state.Open[n.Key] = n
		a = n
	}
	a.Level, a.Ended = n.Level, 0
	if a.Ack != nil && n.Level > a.Ack.Level {
		a.Ack, a.Highest = nil, None // what was acknowledged was less than this
	}
	if a.Ack != nil || n.Level <= a.Highest {
		return
	}
	a.Highest, a.At, a.Since, a.Value, a.Text, a.Step, a.Held = n.Level, e.state.Now, n.Since, n.Value, n.Text, 0, false
	a.Due = e.nextDue(a)
	e.tell(a)
}

// nextDue is when the next person is told; 0 when there is none.
func (e *Engine) nextDue(a *Alarm) int64 {
	for ; a.Step < len(e.rules.chain); a.Step++ {
		if p := e.rules.chain[a.Step]; a.Highest >= p.from {
			return max(1, e.state.Now+p.after)
		}
	}
	return 0
}

// fall has a condition be true at a lower level from now on, or not at all.
func (e *Engine) fall(a *Alarm, to Level) {
	a.Level = to
	if to == None {
		a.Ended = e.state.Now
	}
	if a.Ack == nil {
		return
	}
	a.Ack.Level = to // armed again for what is above that
	if to == None {
		e.close(a)
	}
}

func (e *Engine) close(a *Alarm) {
	delete(e.state.Open, a.Key)
	e.state.Past = append(e.state.Past, a)
	e.state.Past = e.state.Past[max(0, len(e.state.Past)-mostPast):]
	e.findDue()
}

// tell decides who is told of an alarm by now.
func (e *Engine) tell(a *Alarm) {
	for a.Due != 0 && a.Due <= e.state.Now {
		if m := e.muted(a); m != nil {
			if !a.Held {
				a.Held = true
				if !slices.Contains(m.Held, a.Key) {
					m.Held = append(m.Held, a.Key)
				}
				e.decide(a, "held", "")
			}
			a.Due = m.Until
			continue
		}
		a.Held = false
		if a.Step >= len(e.rules.chain) { // there were more people when it was raised
			a.Due = 0
			break
		}
		kind := "raised"
		if a.Step > 0 && len(a.Told) > 0 && a.Told[len(a.Told)-1].At >= a.At {
			kind = "repeated"
		}
		who := e.rules.chain[a.Step].who
		id := e.decide(a, kind, who)
		a.Told = append(a.Told, Told{id, who, e.state.Now})
		a.Step++
		a.Due = e.nextDue(a)
	}
	e.findDue()
}

func (e *Engine) decide(a *Alarm, kind, who string) (id string) {
	sum := sha256.Sum256(fmt.Appendf(nil, "%s\n%s\n%s\n%d\n%d\n%d\n%d\n%s\n%s", e.rules.Test, e.rules.Group, a.Key, a.Number, a.Highest, a.At, a.Step, kind, who))
	id = hex.EncodeToString(sum[:8])
	e.decisions = append(e.decisions, Decision{
		ID: id, Test: e.rules.Test, Group: e.rules.Group, Alarm: a.Key, Of: a.Of, Level: a.Highest.String(), Kind: kind, Who: who,
		Since: utc(a.Since), At: utc(e.state.Now), Reading: a.Reading, Value: a.Value, Unit: a.Unit, Text: a.Text, Action: a.Action, Notice: Monitors,
	})
	return id
}

func utc(ns int64) time.Time { return time.Unix(0, ns).UTC() }

// muted is the mute that holds an alarm back the longest; nil for none.
func (e *Engine) muted(a *Alarm) (longest *Mute) {
	for _, m := range e.state.Mutes {
		if m.covers(a) && m.Until > e.state.Now && (longest == nil || m.Until > longest.Until) {
			longest = m
		}
	}
	return longest
}

// advance has time come to an instant. Mutes end first, then alarms are told, by
// their keys.
func (e *Engine) advance(to int64) {
	if to <= e.state.Now {
		return
	}
	e.state.Now = to
	if to < e.due {
		return
	}
	for _, m := range slices.Clone(e.state.Mutes) {
		if m.Until <= to {
			e.endMute(m)
		}
	}
	for _, key := range slices.Sorted(maps.Keys(e.state.Open)) {
		e.tell(e.state.Open[key])
	}
	e.findDue()
}

func (e *Engine) endMute(m *Mute) {
	e.state.Mutes = slices.DeleteFunc(e.state.Mutes, func(o *Mute) bool { return o == m })
	e.state.Unmuted = append(e.state.Unmuted, m)
	e.state.Unmuted = e.state.Unmuted[max(0, len(e.state.Unmuted)-mostPast):]
}

func (e *Engine) findDue() {
	e.due = math.MaxInt64
	for _, a := range e.state.Open {
		if a.Due != 0 {
			e.due = min(e.due, a.Due)
		}
	}
	for _, m := range e.state.Mutes {
		e.due = min(e.due, m.Until)
	}
}

// Event takes an event of the journal; those that are not about alarms only
// move time. The service's own do not, but for those about alarms: they have the
// time of its clock, which that of a replayed test is far from.
func (e *Engine) Event(ev event.Event) []Decision {
	e.decisions = e.decisions[:0]
	if ev.Event == event.Cut || ev.Event == event.Calibration {
		return nil
	}
	e.advance(ev.Time.UnixNano())
	switch ev.Event {
	case event.Acknowledge:
		e.acknowledge(ev)
	case event.Mute:
		e.mute(ev)
	case event.Unmute:
		for _, m := range slices.Clone(e.state.Mutes) {
			if m.What == ev.Name {
				m.By = ev.Who
				e.endMute(m)
			}
		}
		for _, key := range slices.Sorted(maps.Keys(e.state.Open)) {
			if a := e.state.Open[key]; a.Held && e.muted(a) == nil {
				a.Due = max(1, e.state.Now)
				e.tell(a)
			}
		}
		e.findDue()
	case event.Silence:
		e.silent(ev)
	}
	return e.decisions
}

func (e *Engine) acknowledge(ev event.Event) {
	a := e.state.Open[ev.Name]
	if a == nil {
		return
	}
	level, _ := ParseLevel(ev.Value)
	ack := &Ack{ev.Who, ev.Why, e.state.Now, level}
	if level < a.Highest { // it had become worse before this was said
		a.Lower = ack
		return
	}
	ack.Level = a.Level
	a.Ack, a.Highest, a.Due, a.Held = ack, max(a.Level, Notice), 0, false
	e.findDue()
	if a.Level == None {
		e.close(a)
	}
}

func (e *Engine) mute(ev event.Event) {
	until, err := time.Parse(time.RFC3339, ev.Value)
	if err != nil || until.UnixNano() <= e.state.Now {
		return // over before it was said
	}
	e.state.Mutes = append(e.state.Mutes, &Mute{What: ev.Name, Who: ev.Who, Why: ev.Why, At: e.state.Now, Until: until.UnixNano()})
	e.findDue()
}

// silent takes what the service's clock has found. A frame of the source that
// stands in the journal before it has answered it already.
func (e *Engine) silent(ev event.Event) {
	c := e.rules.silence[ev.Source]
	since, err := time.Parse(time.RFC3339, ev.Value)
	if c == nil || err != nil || e.state.Newest[ev.Source] > since.UnixNano() {
		return
	}
	text := fmt.Sprintf("no frame of %s since %s", ev.Source, since.UTC().Format(time.RFC3339))
	e.raise(&Alarm{Key: c.key, Rule: c.rule, Of: c.of, Level: c.level, Since: since.UnixNano(), Reading: c.reading, Text: text, Action: c.action})
}

// Look is a copy of what the engine knows.
func (e *Engine) Look() (State, error) {
	text, err := e.MarshalState()
	if err != nil {
		return State{}, err
	}
	return parseState(text)
}

// Due returns when the next person is told or a mute ends, and the time that has
// been reached, in ns.
func (e *Engine) Due() (at, now int64, any bool) {
	return e.due, e.state.Now, e.due != math.MaxInt64
}

// IsSilent reports whether a source counts as silent.
func (e *Engine) IsSilent(source string) bool {
	a := e.state.Open["silence/"+source]
	return a != nil && a.Level > None
}

// Newest returns the time of a source's newest row, in ns; ok is false before
// the first.
func (e *Engine) Newest(source string) (ns int64, ok bool) {
	ns, ok = e.state.Newest[source]
	return ns, ok
}
