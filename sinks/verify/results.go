package verify

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"slices"

	"glueline/pipeline/group"
	"glueline/pipeline/worker"
	"glueline/sinks/segment"
)

// resultCut is one cut of the reduced segments, as far as it is sound.
type resultCut struct {
	record *record
	files  []*content
	sound  bool
	plan   *group.Plan     // of the test file that it was made with; nil when there is none
	plans  []worker.Switch // where a timeline says by which ones
}

// results walks the segments of a group. An entry is nil where the record is.
// archived are the cuts of the raw archive, as far as there is one.
func (w *walk) results(ctx context.Context, f *folder, name string, records []*record, archived []*rawCut) []*resultCut {
	cuts := make([]*resultCut, len(records))
	samples := counters{next: map[string]uint64{}}
	fields := map[string]*content{} // the newest file of a source
	calibration := ""
	for cut, r := range records {
		if ctx.Err() != nil {
			return cuts
		}
		if r == nil {
			samples.lose()
			continue
		}
		w.of(f, name).Cuts++
		c := &resultCut{record: r, sound: true}
		cuts[cut] = c
		digests := sha256.New()
		for _, file := range r.files {
			run := sampleRun{}
			content := w.check(f, r, file, run.add)
			if content == nil {
				c.sound = false
				continue
			}
			source := content.metadata["source"]
			if gap := samples.follow(source, &run); gap != "" {
				w.damage(f, name, Samples, file.Name, gap)
			}
			digests.Write([]byte(content.metadata["calibration"]))
			w.observe(f, name, content)
			c.files = append(c.files, content)
			if before := fields[source]; before != nil && before.metadata["calibration"] == content.metadata["calibration"] && !sameFields(before.fields, content.fields) {
				w.damage(f, name, Schema, file.Name, fmt.Sprintf("its columns or their metadata are others than those of %s, its constants the same", before.name))
				c.sound = false
			}
			fields[source] = content
		}
		if !c.sound {
			samples.lose()
			continue
		}
		if sum := hex.EncodeToString(digests.Sum(nil)); sum != r.reduced.Calibration {
			w.damage(f, name, Constants, r.name, fmt.Sprintf("its constants have the digest %.12s, those of its files %.12s", r.reduced.Calibration, sum))
			c.sound = false
			continue
		}
		if len(c.files) > 0 {
			if calibration != "" && calibration != r.reduced.Calibration && sameSources(cuts[:cut], c) {
				w.note("%s%s: other constants from here on", f.label, r.name)
			}
			calibration = r.reduced.Calibration
		}
		named := ""
		if cut < len(archived) && archived[cut] != nil {
			named = archived[cut].record.raw.Calibration
			if t := w.options.Timelines[name]; t != nil {
				c.plans = t.Between(archived[cut].record.raw.First, archived[cut].record.raw.Last)
				w.byTimeline(f, c)
				continue
			}
		}
		w.constants(f, c, named)
	}
	return cuts
}

// sampleRun is the samples of one file.
type sampleRun struct {
	any         bool
	first, next uint64
	gap         string
}

func (s *sampleRun) add(b *segment.Batch) {
	if !s.any && b.Rows > 0 {
		s.any, s.first, s.next = true, b.Counter[0], b.Counter[0]
	}
	for _, sample := range b.Counter {
		if sample != s.next && s.gap == "" {
			s.gap = fmt.Sprintf("sample %d follows %d", sample, s.next-1)
		}
		s.next = sample + 1
	}
}

// counters know which sample of each source follows over the cuts.
type counters struct {
	next map[string]uint64
	lost bool // of a cut nobody knows the samples: a source's count begins anew with what it has next
}

func (c *counters) lose() {
	c.lost = true
	clear(c.next)
}

// follow takes the samples of a source's file and says what is wrong with them.
func (c *counters) follow(source string, run *sampleRun) (gap string) {
	if !run.any {
		return ""
	}
	next, known := c.next[source]
	c.next[source] = run.next
	if run.gap == "" && (known || !c.lost) && run.first != next {
		return fmt.Sprintf("it begins with sample %d, where %d follows", run.first, next)
	}
	return run.gap
}

// sameSources reports whether a cut has files of the same sources as the newest
// one before it that has any: only then can their digests be compared.
func sameSources(before []*resultCut, c *resultCut) bool {
	for _, b := range slices.Backward(before) {
		if b != nil && len(b.files) > 0 {
			return slices.EqualFunc(b.files, c.files, func(a, b *content) bool { return a.metadata["source"] == b.metadata["source"] })
		}
	}
	return false
}

// constants finds the test file that a cut was made with, and compares what the
// files say of their columns with what follows from it. named is the digest of
// the one that holds by the raw archive, "" where that is not known.
func (w *walk) constants(f *folder, c *resultCut, named string) {
	if len(w.options.Tests) == 0 {
		return
	}
	// Where several would do, as for a cut without files, the one before goes on.
	candidates := []*group.Plan{w.plan}
	for _, t := range w.options.Tests {
		if t.Digest != "" && t.Digest == named {
			candidates = t.Plans
			break
		}
		candidates = append(candidates, t.Plans...)
	}
	for _, p := range candidates {
		if c.plan == nil && p != nil && p.Name == c.record.group && fits(p, c) {
			c.plan, w.plan = p, p
		}
	}
	if c.plan == nil {
		found := "its constants follow from no test file that is kept or was given"
		if named != "" {
			found += fmt.Sprintf("; the raw archive names the calibration %s", named)
		}
		w.damage(f, c.record.group, Constants, c.record.name, found)
		return
	}
	for _, file := range c.files {
		want, _, err := segment.Layout(c.plan, file.metadata["source"])
		if err != nil || !sameFields(want, file.fields) {
			w.damage(f, c.record.group, Schema, file.name, "its columns or their metadata are others than the test file says")
			c.sound = false
		}
	}
}

// byTimeline compares what the files of a cut say of their columns with what
// follows from the plans that its revision has for it.
func (w *walk) byTimeline(f *folder, c *resultCut) {
	c.plan = c.plans[len(c.plans)-1].Plan
	w.plan = c.plan
	for _, file := range c.files {
		found := false
		for _, s := range c.plans {
			want, digest, err := segment.Layout(s.Plan, file.metadata["source"])
			if err != nil || digest != file.metadata["calibration"] {
				continue
			}
			found = true
			if !sameFields(want, file.fields) {
				w.damage(f, c.record.group, Schema, file.name, "its columns or their metadata are others than the test file says")
				c.sound = false
			}
		}
		if !found {
			w.damage(f, c.record.group, Constants, file.name, "its constants are not those that the timeline of the revision has for this cut")
			c.sound = false
		}
	}
}

// fits reports whether every file of a cut has the constants of a plan.
func fits(p *group.Plan, c *resultCut) bool {
	for _, file := range c.files {
		_, digest, err := p.Calibration(file.metadata["source"])
		if err != nil || digest == "" || digest != file.metadata["calibration"] {
			return false
		}
	}
	return true
}
