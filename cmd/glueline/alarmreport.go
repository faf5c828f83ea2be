package main

import (
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"net/http"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"glueline/pipeline/alarm"
	"glueline/pipeline/event"
	"glueline/pipeline/printable"
	"glueline/pipeline/testfile"
	"glueline/sinks/alarms"
	"glueline/sinks/archive"
	"glueline/sinks/tell"
)

// alarmReport is what GET /alarms answers (deploy/ALARMS.md). Times are of the data,
// but for those of deliveries, which are of the machine's clock.
type alarmReport struct {
	Test    string        `json:"test"`
	Notice  string        `json:"notice"`            // what this is not
	Running bool          `json:"running"`           // a service is at work; else this is from its files
	Warning string        `json:"warning,omitempty"` // what keeps alarms from reaching a person
	People  []alarmPerson `json:"people"`            // in the order in which they are told
	Groups  []alarmGroup  `json:"groups"`
}

type alarmPerson struct {
	Who   string   `json:"who"`
	From  string   `json:"from"`    // the lowest level that it is told of
	After float64  `json:"after_s"` // behind the one before
	Ways  []string `json:"ways"`
}

type alarmGroup struct {
	Group   string          `json:"group"`
	Now     time.Time       `json:"now,omitzero"`    // that the data have come to
	Cut     *uint64         `json:"cut,omitempty"`   // when it is from files: that they reach to
	Error   string          `json:"error,omitempty"` // why nothing more is known
	Alarms  []alarmShown    `json:"alarms"`          // the gravest first
	Past    []alarmShown    `json:"past"`            // acknowledged and over, the newest last
	Mutes   []muteShown     `json:"mutes"`
	Waiting []tell.Delivery `json:"waiting"` // decided and not sent, the oldest first
	GivenUp int             `json:"given_up"`
}

// What an alarm is.
const (
	alarmActive       = "active"       // its cause is there, and nobody has acknowledged it
	alarmUnanswered   = "unanswered"   // its cause is over, and nobody has acknowledged it
	alarmAcknowledged = "acknowledged" // its cause is there
	alarmOver         = "over"         // acknowledged, its cause is over
)

type alarmShown struct {
	Alarm        string      `json:"alarm"` // what it is acknowledged by
	Rule         string      `json:"rule"`
	Of           string      `json:"of"`
	State        string      `json:"state"`
	Level        string      `json:"level"`   // the highest since it was raised or last acknowledged
	Present      string      `json:"present"` // none: its cause is over
	Since        time.Time   `json:"since"`   // its cause began to count
	At           time.Time   `json:"at"`      // the level was reached
	Ended        time.Time   `json:"ended,omitzero"`
	Reading      string      `json:"reading"`
	Value        float64     `json:"value"` // when the level was reached; 0 for flags and silence
	Unit         string      `json:"unit,omitempty"`
	Text         string      `json:"text"`
	Action       string      `json:"action,omitempty"`
	MutedUntil   time.Time   `json:"muted_until,omitzero"`
	HeldBack     bool        `json:"held_back,omitempty"` // somebody would have been told
	Acknowledged *ackShown   `json:"acknowledged,omitempty"`
	TooLow       *ackShown   `json:"acknowledged_too_low,omitempty"` // it had become worse already
	Told         []toldShown `json:"told"`
	Next         *nextShown  `json:"next,omitempty"` // who is told, unless somebody acknowledges
}

type ackShown struct {
	Who   string    `json:"who"`
	Why   string    `json:"why"`
	At    time.Time `json:"at"`
	Level string    `json:"level"`
}

type toldShown struct {
	ID         string          `json:"id"`
	Who        string          `json:"who"`
	At         time.Time       `json:"at"` // decided
	Deliveries []tell.Delivery `json:"deliveries"`
}

type nextShown struct {
	Who string    `json:"who"`
	At  time.Time `json:"at"`
}

type muteShown struct {
	What  string    `json:"what"`
	Who   string    `json:"who"`
	Why   string    `json:"why"`
	At    time.Time `json:"at"`
	Until time.Time `json:"until"`
	Held  []string  `json:"held"` // alarms that it held back
}

func instant(ns int64) time.Time {
	if ns == 0 {
		return time.Time{}
	}
	return time.Unix(0, ns).UTC()
}

func shownAck(a *alarm.Ack) *ackShown {
	if a == nil {
		return nil
	}
	return &ackShown{a.Who, a.Why, instant(a.At), a.Level.String()}
}

// groupReport shows a state, with what became of its messages.
func groupReport(name string, s *alarm.State, t *testfile.Test, of func(id string) []tell.Delivery) alarmGroup {
	g := alarmGroup{Group: name, Now: instant(s.Now), Alarms: []alarmShown{}, Past: []alarmShown{}, Mutes: []muteShown{}, Waiting: []tell.Delivery{}}
	show := func(a *alarm.Alarm) alarmShown {
		v := alarmShown{
			Alarm: a.Key, Rule: a.Rule, Of: a.Of, Level: a.Highest.String(), Present: a.Level.String(),
			Since: instant(a.Since), At: instant(a.At), Ended: instant(a.Ended), Reading: a.Reading, Value: a.Value, Unit: a.Unit,
			Text: a.Text, Action: a.Action, HeldBack: a.Held, Acknowledged: shownAck(a.Ack), TooLow: shownAck(a.Lower), Told: []toldShown{},
		}
		switch {
		case a.Ack != nil && a.Level == alarm.None:
			v.State = alarmOver
		case a.Ack != nil:
			v.State = alarmAcknowledged
		case a.Level == alarm.None:
			v.State = alarmUnanswered
		default:
			v.State = alarmActive
		}
		if until, ok := s.MutedUntil(a); ok && a.Ack == nil {
			v.MutedUntil = instant(until)
		}
		for _, told := range a.Told {
			deliveries := of(told.ID)
			if deliveries == nil {
				deliveries = []tell.Delivery{}
			}
			v.Told = append(v.Told, toldShown{told.ID, told.Who, instant(told.At), deliveries})
		}
		if a.Due != 0 && t != nil && a.Step < len(t.Alarms.Tell) {
			v.Next = &nextShown{t.Alarms.Tell[a.Step].Who.Text, instant(a.Due)}
		}
		return v
	}
	for _, a := range s.Open {
		g.Alarms = append(g.Alarms, show(a))
	}
	slices.SortFunc(g.Alarms, func(a, b alarmShown) int {
		return cmp.Or(cmp.Compare(rankOf(&a), rankOf(&b)), a.Since.Compare(b.Since), cmp.Compare(a.Alarm, b.Alarm))
	})
	for _, a := range s.Past {
		g.Past = append(g.Past, show(a))
	}
	for _, m := range s.Mutes {
		g.Mutes = append(g.Mutes, muteShown{m.What, m.Who, m.Why, instant(m.At), instant(m.Until), append([]string{}, m.Held...)})
	}
	return g
}

// rankOf orders alarms: what nobody has answered for first, by level.
func rankOf(a *alarmShown) int {
	level, _ := alarm.ParseLevel(a.Level)
	rank := int(alarm.Danger - level)
	if a.State == alarmAcknowledged {
		rank += 10
	}
	return rank
}

func people(t *testfile.Test, ways *tell.Ways) []alarmPerson {
	all := []alarmPerson{}
	for _, p := range t.Alarms.Tell {
		by := []string{}
		for _, w := range ways.Of(p.Who.Text) {
			by = append(by, w.Name())
		}
		all = append(all, alarmPerson{p.Who.Text, cmp.Or(p.From.Text, "notice"), p.After.Value, by})
	}
	return all
}

// alarms is what the running service knows of alarms.
func (s *service) alarms() alarmReport {
	t := s.current.Load().test
	r := alarmReport{Test: t.About.Name.Text, Notice: alarm.Monitors, Running: true, Warning: alarmWarning(s.ways, t), People: people(t, s.ways), Groups: []alarmGroup{}}
	for _, g := range s.groups {
		r.Groups = append(r.Groups, g.alarmGroup(t))
	}
	return r
}

// errNotJudging occurs while a group's worker has not begun.
var errNotJudging = errors.New("its worker has not begun; glueline status tells how far it is")

func (g *liveGroup) alarmState() (alarm.State, error) {
	if g.alarms == nil || g.alarms.sink.Load() == nil {
		return alarm.State{}, errNotJudging
	}
	return g.alarms.sink.Load().Look()
}

func (g *liveGroup) alarmGroup(t *testfile.Test) alarmGroup {
	state, err := g.alarmState()
	if g.alarms == nil {
		return alarmGroup{Group: g.plan.Name, Error: err.Error()}
	}
	shown := groupReport(g.plan.Name, &state, t, g.alarms.outbox.Of)
	if err != nil {
		shown.Error = err.Error()
	}
	box := g.alarms.outbox.Look()
	shown.Waiting, shown.GivenUp = box.Waiting, box.GivenUp
	return shown
}

// alarmsOf is what the files of a service that has ended know of alarms.
func alarmsOf(data string) (alarmReport, error) {
	r := alarmReport{Notice: alarm.Monitors, People: []alarmPerson{}, Groups: []alarmGroup{}}
	ledgers, err := filepath.Glob(ledgerOf(data, "*"))
	if err != nil || len(ledgers) == 0 {
		return r, errors.Join(err, fmt.Errorf("%s has no ledger of alarms; give the data folder of serve", data))
	}
	for _, path := range ledgers {
		name := strings.TrimSuffix(filepath.Base(path), filepath.Base(ledgerOf(data, "")))
		lines, damaged, err := tell.ReadLedger(path)
		if err != nil {
			return r, err
		}
		deliveries := tell.Deliveries(lines)
		t, err := testBehind(data, name)
		if err != nil {
			return r, err
		}
		if t != nil && r.Test == "" {
			r.Test, r.People = t.About.Name.Text, people(t, nil)
		}
		g := alarmGroup{Group: name, Alarms: []alarmShown{}, Past: []alarmShown{}, Mutes: []muteShown{}, Waiting: []tell.Delivery{}}
		text, cut, err := alarms.Newest(filepath.Join(data, alarmsFolder), name)
		if err == nil {
			var state alarm.State
			if state, err = alarm.ReadState(text); err == nil {
				g = groupReport(name, &state, t, func(id string) []tell.Delivery { return deliveries[id] })
				g.Cut = &cut
			}
		}
		switch {
		case errors.Is(err, fs.ErrNotExist):
			g.Error = "nothing is committed yet; what stands in the journal is known when the service runs"
		case err != nil:
			g.Error = err.Error()
		case damaged > 0:
			g.Error = fmt.Sprintf("the ledger has %s that cannot be read", count(damaged, "line"))
		}
		for _, of := range deliveries {
			for _, d := range of {
				switch {
				case d.GivenUp:
					g.GivenUp++
				case d.Sent.IsZero():
					g.Waiting = append(g.Waiting, d)
				}
			}
		}
		slices.SortFunc(g.Waiting, func(a, b tell.Delivery) int {
			return cmp.Or(a.Decided.Compare(b.Decided), cmp.Compare(a.ID, b.ID), cmp.Compare(a.Way, b.Way))
		})
		r.Groups = append(r.Groups, g)
	}
	return r, nil
}

// testBehind is the test file in force behind a group's newest cut; nil where
// nothing is archived or no test file is kept.
func testBehind(data, name string) (*testfile.Test, error) {
	newest, err := archive.Newest(filepath.Join(data, rawFolder), name)
	if err != nil {
		return nil, err
	}
	digest, known, err := calibrationBehind(newest)
	if err != nil || !known || digest == "" {
		return nil, err
	}
	k, err := keptTestOf(data, digest)
	if err != nil {
		return nil, err
	}
	return k.test, nil
}

// alarmCounts is what the status tells of a group's alarms.
type alarmCounts struct {
	Active       int    `json:"active"`       // nobody has acknowledged them
	Acknowledged int    `json:"acknowledged"` // and their cause is there
	Muted        int    `json:"muted"`        // of the active
	Waiting      int    `json:"waiting"`      // deliveries that are not sent
	GivenUp      int    `json:"given_up"`
	Error        string `json:"error,omitempty"`
}

func (s *service) alarmCounts(g *liveGroup) *alarmCounts {
	if g.alarms == nil {
		return nil
	}
	shown := g.alarmGroup(s.current.Load().test)
	c := &alarmCounts{Waiting: len(shown.Waiting), GivenUp: shown.GivenUp, Error: shown.Error}
	for _, a := range shown.Alarms {
		switch {
		case a.State == alarmAcknowledged:
			c.Acknowledged++
		default:
			c.Active++
			if !a.MutedUntil.IsZero() {
				c.Muted++
			}
		}
	}
	return c
}

// warnings are what a person who looks at the status should know.
func (c *alarmCounts) warnings(group string) (all []string) {
	if c == nil {
		return nil
	}
	if c.Active > 0 {
		text := fmt.Sprintf("group %s has %s that nobody has acknowledged", group, count(c.Active, "alarm"))
		if c.Muted > 0 {
			text += fmt.Sprintf(", %d of them muted", c.Muted)
		}
		all = append(all, text+": glueline alarms shows them.")
	}
	if c.Waiting+c.GivenUp > 0 {
		all = append(all, fmt.Sprintf("group %s has %s that did not reach a person, and %d given up: glueline alarms says why.", group, count(c.Waiting, "message of an alarm"), c.GivenUp))
	}
	return all
}

// fitsAlarms says what speaks against an event about alarms that a person sends.
func (s *service) fitsAlarms(e *event.Event) error {
	switch e.Event {
	case event.Silence, event.Clock:
		return fmt.Errorf("%s is what the service finds out by its own clock; nobody else says it", e.Event)
	case event.Acknowledge, event.Mute, event.Unmute:
	default:
		return nil
	}
	var open, muted []string
	known := []string{"all"}
	for _, g := range s.groups {
		state, err := g.alarmState()
		if err != nil {
			return fmt.Errorf("group %s: %w", g.plan.Name, err)
		}
		for key, a := range state.Open {
			open = append(open, key)
			known = append(known, key, a.Rule, a.Of)
			level, _ := alarm.ParseLevel(e.Value)
			if e.Event == event.Acknowledge && key == e.Name && level < a.Highest {
				return fmt.Errorf("acknowledge of %s at the level %s; it has become %s: look at it again, and acknowledge that", key, e.Value, a.Highest)
			}
		}
		for _, m := range state.Mutes {
			muted = append(muted, m.What)
		}
	}
	slices.Sort(open)
	switch e.Event {
	case event.Acknowledge:
		if !slices.Contains(open, e.Name) {
			return fmt.Errorf("acknowledge of %q, which is no alarm at present; there are: %s", e.Name, cmp.Or(some(open), "none"))
		}
	case event.Unmute:
		if !slices.Contains(muted, e.Name) {
			return fmt.Errorf("unmute of %q, which is not muted; muted are: %s", e.Name, cmp.Or(some(muted), "none"))
		}
	case event.Mute:
		test := s.current.Load()
		for _, p := range test.plans {
			alarms, rules := alarm.Compile(test.test, p).Named()
			known = append(append(append(known, alarms...), rules...), p.Sources()...)
		}
		known = append(append(known, test.test.Channels.Names()...), test.test.Rosettes.Names()...)
		known = append(append(known, test.test.Auxiliary.Names()...), test.test.Temperatures.Names()...)
		if !slices.Contains(known, e.Name) {
			return fmt.Errorf("mute of %q, which is no alarm, rule, channel or source; write one of them, or all", e.Name)
		}
	}
	return nil
}

// trial is one person whom a trial was sent to.
type trial struct {
	ID  string `json:"id"`
	Who string `json:"who"`
}

// try answers POST /alarms/try: every way of the people named, or of everybody in
// alarms.tell, is sent a message that says that it is a trial.
func (s *service) try(w http.ResponseWriter, r *http.Request) {
	var asked struct {
		Who []string `json:"who"`
	}
	if err := json.NewDecoder(http.MaxBytesReader(w, r.Body, maxEvent)).Decode(&asked); err != nil {
		http.Error(w, `a trial is asked for by {"who": ["NAME"]}, or {} for everybody in alarms.tell`, http.StatusBadRequest)
		return
	}
	t := s.current.Load().test
	if len(asked.Who) == 0 {
		for _, p := range t.Alarms.Tell {
			if !slices.Contains(asked.Who, p.Who.Text) {
				asked.Who = append(asked.Who, p.Who.Text)
			}
		}
	}
	if s.ways == nil {
		http.Error(w, "the service was started without --ways FILE: nobody can be told of anything", http.StatusConflict)
		return
	}
	if len(asked.Who) == 0 {
		http.Error(w, "alarms.tell of the test file names nobody; name whom to try", http.StatusConflict)
		return
	}
	now := time.Now()
	var messages []tell.Message
	for i, who := range asked.Who {
		if len(s.ways.Of(who)) == 0 {
			http.Error(w, fmt.Sprintf("the file of ways does not know %s; it has %s", printable.Text(who), printable.Text(some(s.ways.People()))), http.StatusConflict)
			return
		}
		m, err := tell.Trial(who, t.About.Name.Text, alarm.Monitors, now.Add(time.Duration(i)*time.Millisecond))
		if err != nil {
			http.Error(w, err.Error(), http.StatusInternalServerError)
			return
		}
		messages = append(messages, m)
	}
	trials := []trial{}
	for _, m := range messages {
		s.groups[0].alarms.outbox.Decide(m)
		trials = append(trials, trial{m.ID, m.Who})
	}
	answer(w, trials)
}

// deliveries answers GET /alarms/deliveries/ID.
func (s *service) deliveries(w http.ResponseWriter, r *http.Request, id string) {
	for _, g := range s.groups {
		if g.alarms != nil && g.alarms.outbox.Knows(id) {
			all := g.alarms.outbox.Of(id)
			if all == nil {
				all = []tell.Delivery{}
			}
			answer(w, all)
			return
		}
	}
	http.NotFound(w, r)
}
