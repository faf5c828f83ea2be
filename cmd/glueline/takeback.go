package main

import (
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"glueline/pipeline/event"
	"glueline/pipeline/frame"
	"glueline/pipeline/group"
	"glueline/pipeline/journal"
	"glueline/sinks/archive"
)

type quarantineTakeBack struct {
	Source string `arg:"" help:"The source whose frames are taken back."`
	explained
}

// takenBack are the reasons of sound frames: what spoke against them was their
// place, or the test file.
var takenBack = []string{"former-boot", "too-old", "unfit"}

// takeBackResult is what POST /quarantine/take-back answers.
type takeBackResult struct {
	Taken int      `json:"taken"`         // frames that are in the journal again
	There int      `json:"there"`         // frames that were in the archive already
	Cut   int      `json:"cut"`           // frames whose end the quarantine has not
	Unfit []unfit  `json:"unfit"`         // frames that the test file in force has no use for
	More  bool     `json:"more"`          // ask again
	Boots []string `json:"boots"`         // under which they are
	Why   string   `json:"why,omitempty"` // it did not go on
}

// unfit are frames that would be refused again, for the same reason.
type unfit struct {
	Why    string `json:"why"`
	Frames int    `json:"frames"`
}

// Run takes sound frames back from quarantine, until there are none.
func (c *quarantineTakeBack) Run(ctx context.Context, s streams) error {
	service := newControl(c.Data)
	// What the archive holds is known from its commit records: end the files.
	if err := service.cut(ctx, event.Event{Who: c.Who, Why: c.Why}); err != nil {
		return unpublished(err)
	}
	body, err := json.Marshal(map[string]string{"source": c.Source})
	if err != nil {
		return err
	}
	var all takeBackResult
	for more := true; more; {
		var r takeBackResult
		if err := service.call(ctx, http.MethodPost, "/quarantine/take-back", body, &r); err != nil {
			return err
		}
		all.Taken, all.There, all.Cut, all.Unfit = all.Taken+r.Taken, all.There+r.There, r.Cut, r.Unfit
		for _, boot := range r.Boots {
			if !slices.Contains(all.Boots, boot) {
				all.Boots = append(all.Boots, boot)
			}
		}
		if r.Why != "" {
			err = errors.New(r.Why)
		}
		more = r.More && err == nil
	}
	if all.Taken > 0 {
		text := fmt.Sprintf("%s of source %s taken back from quarantine, as boot %s", count(all.Taken, "frame"), c.Source, strings.Join(all.Boots, ", "))
		note := event.Event{Event: "note", Text: text, Who: c.Who, Why: c.Why}
		err = errors.Join(err, service.sayNow(context.WithoutCancel(ctx), s, note, "Their rows come in the journal where they are now: behind newer ones, and flagged late."))
	}
	if all.There > 0 {
		fmt.Fprintf(s.out, "%s already in the archive; dropped from quarantine.\n", areWere(all.There, "frame"))
	}
	if all.Cut > 0 {
		fmt.Fprintf(s.out, "%s in quarantine: of frames that large it has not the end.\n", areWere(all.Cut, "frame"))
	}
	for _, u := range all.Unfit {
		err = errors.Join(err, fmt.Errorf("%s of source %s would be refused again and stay in quarantine: %s", count(u.Frames, "frame"), c.Source, u.Why))
	}
	if len(all.Unfit) > 0 {
		err = fmt.Errorf("%w\nMend the logger, or the test file and have the service read it (SIGHUP); then take them back", err)
	}
	if err == nil && all.Taken+all.There+all.Cut == 0 {
		fmt.Fprintf(s.out, "Nothing of source %s in quarantine can be taken back (%s can).\n", c.Source, strings.Join(takenBack, ", "))
	}
	return err
}

func areWere(n int, what string) string {
	if n == 1 {
		return "1 " + what + " is"
	}
	return count(n, what) + " are"
}

// quiet is for how long nothing of a source may have come before its frames are
// taken back, and two periods of its rate if that is longer: the boot of a
// publisher that goes on would become a former one.
const quiet = 5 * time.Second

func quietOf(rate float64) time.Duration {
	return max(quiet, time.Duration(2/rate*float64(time.Second)))
}

// takeBackAtOnce bounds one answer; the command asks again.
const takeBackAtOnce = 15 * time.Second

// takeBack answers POST /quarantine/take-back.
func (s *service) takeBack(w http.ResponseWriter, r *http.Request) {
	var asked struct{ Source string }
	if err := json.NewDecoder(http.MaxBytesReader(w, r.Body, maxEvent)).Decode(&asked); err != nil {
		http.Error(w, "no source is asked for", http.StatusBadRequest)
		return
	}
	at := slices.IndexFunc(s.groups, func(g *liveGroup) bool { return slices.Contains(g.plan.Sources(), asked.Source) })
	if at < 0 {
		http.Error(w, fmt.Sprintf("no source is called %q; the test file declares %s", asked.Source, strings.Join(s.test.Sources.Names(), ", ")), http.StatusNotFound)
		return
	}
	s.taking.Lock()
	defer s.taking.Unlock()
	declared, _ := s.test.Sources.Get(asked.Source)
	g := s.groups[at]
	plans := s.current.Load().plans
	now := plans[slices.IndexFunc(plans, func(p *group.Plan) bool { return p.Name == g.plan.Name })] // a reload keeps the groups
	result, err := g.takeBack(r.Context(), now, asked.Source, quietOf(declared.Rate.Value))
	if err != nil {
		http.Error(w, err.Error(), http.StatusServiceUnavailable)
		return
	}
	answer(w, result)
}

// takeBack brings sound frames of a source from quarantine to the journal again,
// each boot's as those of another boot, in their order. What the archive's
// records name is there already, from whichever try; what the plan in force has no
// use for stays.
func (g *liveGroup) takeBack(ctx context.Context, plan *group.Plan, source string, quiet time.Duration) (result takeBackResult, err error) {
	held, err := g.journal.Refusals(ctx)
	if err != nil {
		return result, err
	}
	held = slices.DeleteFunc(held, func(r journal.Refused) bool {
		return !slices.Contains(takenBack, string(r.Reason)) || headerOf(r, frame.HeaderSource) != source
	})
	if len(held) == 0 {
		return result, nil
	}
	newest, header, stored, err := g.journal.NewestFrame(ctx, source)
	if err != nil {
		return result, err
	}
	if _, tried := original(header.Boot); tried == 0 && time.Since(stored) < quiet {
		result.Why = fmt.Sprintf("source %s publishes: its newest frame came %s ago, under the boot %q. Stop its publisher for %s, take the frames back, and start it again: it goes on as a new boot",
			source, time.Since(stored).Round(time.Millisecond), header.Boot, quiet)
		return result, nil
	}
	known, err := g.archived(source)
	if err != nil {
		return result, err
	}
	boots := g.againNames(held, known)
	slices.SortStableFunc(held, func(a, b journal.Refused) int {
		return cmp.Or(boots[a.Number].order-boots[b.Number].order, cmp.Compare(numberOf(a), numberOf(b)))
	})
	began := time.Now()
	try := fitting{plan, frame.NewWireDecoder([]string{source})}
	for _, r := range held {
		if result.More = time.Since(began) > takeBackAtOnce; result.More {
			return result, nil
		}
		to := boots[r.Number]
		if known[to.from].has(numberOf(r)) {
			result.There++
		} else {
			whole, err := g.journal.Show(ctx, r.Number)
			if err != nil {
				return result, err
			}
			if whole.Cut > 0 {
				result.Cut++
				continue
			}
			if err := try.fits(whole); err != nil {
				result.misfit(err)
				continue
			}
			newest, err = g.journal.Again(ctx, whole, to.name, newest)
			if errors.Is(err, journal.ErrOvertaken) {
				result.Why = fmt.Sprintf("source %s began to publish meanwhile; stop its publisher and take back the rest", source)
				return result, nil
			}
			if err != nil {
				return result, err
			}
			result.Taken++
			if !slices.Contains(result.Boots, to.name) {
				result.Boots = append(result.Boots, to.name)
			}
		}
		if err := g.journal.Discard(ctx, r.Number); err != nil {
			return result, err
		}
	}
	return result, nil
}

// fitting finds out whether a plan has a use for frames.
type fitting struct {
	plan    *group.Plan
	decoder *frame.WireDecoder
}

// fits is the error for which the worker would refuse the frame.
func (t *fitting) fits(r journal.Refused) error {
	m := journal.Message{Header: r.Header}
	header, err := frame.ParseHeader(m.Get)
	if err != nil {
		return err
	}
	f, err := t.decoder.Decode(r.Data, header)
	if err != nil {
		return err
	}
	defer f.Release()
	return group.NewReducer(t.plan).Reduce(f, new(group.Batch))
}

func (r *takeBackResult) misfit(err error) {
	for i := range r.Unfit {
		if r.Unfit[i].Why == err.Error() {
			r.Unfit[i].Frames++
			return
		}
	}
	r.Unfit = append(r.Unfit, unfit{err.Error(), 1})
}

// frameSpans are the numbers of a boot's frames that the archive holds, under
// whichever name they came.
type frameSpans struct {
	tries int // the highest try at taking back
	spans []archive.Run
}

func (f *frameSpans) has(number uint64) bool {
	return f != nil && slices.ContainsFunc(f.spans, func(r archive.Run) bool { return r.Number <= number && number-r.Number < r.Frames })
}

// archived reads which frames of a source the archive holds, by their boots'
// original names.
func (g *liveGroup) archived(source string) (map[string]*frameSpans, error) {
	cuts, err := archive.Cuts(g.raw, g.plan.Name)
	if err != nil {
		return nil, err
	}
	known := map[string]*frameSpans{}
	for _, cut := range cuts {
		record, err := archive.Read(g.raw, g.plan.Name, cut)
		if err != nil {
			return nil, err
		}
		for _, run := range record.Runs {
			if run.Source != source {
				continue
			}
			boot, tried := original(run.Boot)
			of := known[boot]
			if of == nil {
				of = new(frameSpans)
				known[boot] = of
			}
			of.tries = max(of.tries, tried)
			of.spans = append(of.spans, run)
		}
	}
	return known, nil
}

// again is the boot under which a frame comes back.
type again struct {
	from  string // the boot that its publisher gave
	name  string
	order int
}

// againNames are the boots of frames that come back, by their number in
// quarantine: one for all of an original boot, and none that was there before.
func (g *liveGroup) againNames(held []journal.Refused, known map[string]*frameSpans) map[uint64]again {
	tries := map[string]int{}
	for _, r := range held {
		boot, tried := original(headerOf(r, frame.HeaderBoot))
		tries[boot] = max(tries[boot], tried)
		if of := known[boot]; of != nil {
			tries[boot] = max(tries[boot], of.tries)
		}
	}
	order := map[string]int{}
	names := map[uint64]again{}
	for _, r := range held {
		boot, _ := original(headerOf(r, frame.HeaderBoot))
		if _, met := order[boot]; !met {
			order[boot] = len(order)
		}
		names[r.Number] = again{boot, againPrefix + strconv.Itoa(tries[boot]+1) + "-" + boot, order[boot]}
	}
	return names
}

// againPrefix begins the names of boots under which frames came back, before
// the number of the try.
const againPrefix = "again-"

// original is the boot that a frame came under at first, and the try at which it
// came back, 0 for none. A long name is shortened to leave room for ours.
func original(boot string) (first string, tried int) {
	if rest, is := strings.CutPrefix(boot, againPrefix); is {
		number, name, whole := strings.Cut(rest, "-")
		if n, err := strconv.Atoi(number); err == nil && whole && n > 0 {
			boot, tried = name, n
		}
	}
	const longest = 200 // of 256 bytes
	if len(boot) > longest {
		sum := sha256.Sum256([]byte(boot))
		boot = strings.ToValidUTF8(boot[:longest-17], "") + "-" + hex.EncodeToString(sum[:8])
	}
	return boot, tried
}

// numberOf is the number of a sound frame.
func numberOf(r journal.Refused) uint64 {
	number, _ := strconv.ParseUint(headerOf(r, frame.HeaderFrame), 10, 64) // else it would be refused for its header
	return number
}

func headerOf(r journal.Refused, key string) string {
	if v := r.Header[key]; len(v) > 0 {
		return v[0]
	}
	return ""
}
