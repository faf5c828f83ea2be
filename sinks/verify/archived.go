package verify

import (
	"context"
	"fmt"
	"slices"
	"strconv"

	"glueline/sinks/archive"
	"glueline/sinks/segment"
)

// rawCut is one cut of the raw archive, as far as it is sound.
type rawCut struct {
	record *record
	rows   map[string]int64 // by source
	first  map[string]int64 // ns, time of the source's first row
	last   map[string]int64
	sound  bool
}

// archived walks the raw archive of a group. An entry is nil where the record is.
func (w *walk) archived(ctx context.Context, f *folder, name string, records []*record) []*rawCut {
	cuts := make([]*rawCut, len(records))
	seen := map[[2]string]*numbers{} // frames by source and boot
	var before *record
	for cut, r := range records {
		if ctx.Err() != nil {
			return cuts
		}
		if r == nil {
			before = nil
			continue
		}
		g := w.of(f, name)
		g.Cuts++
		if g.LastSeq == 0 {
			g.FirstSeq = r.raw.Journal.First
		}
		g.LastSeq = r.raw.Journal.Last
		w.follows(f, r, before, cut == 0)
		before = r
		c := &rawCut{record: r, rows: map[string]int64{}, first: map[string]int64{}, last: map[string]int64{}, sound: true}
		cuts[cut] = c
		var places []uint64
		for _, file := range r.files {
			var own []uint64
			content := w.check(f, r, file, func(b *segment.Batch) {
				for _, place := range b.Counter {
					if n := len(own); n == 0 || own[n-1] != place {
						own = append(own, place)
					}
				}
			})
			if content == nil {
				c.sound = false
				continue
			}
			if listed := listedFrames(r.raw, content); listed != uint64(len(own)) {
				kind := FrameDropped
				if uint64(len(own)) > listed {
					kind = FrameDoubled
				}
				w.damage(f, name, kind, file.Name, fmt.Sprintf("it has the rows of %d frames, %s says %d", len(own), r.name, listed))
				c.sound = false
			}
			places = append(places, own...)
			w.observe(f, name, content)
			c.add(content)
		}
		for _, e := range r.raw.Events {
			places = append(places, e.Place)
		}
		if c.sound {
			c.sound = w.order(f, r, places)
		}
		for _, run := range r.raw.Runs {
			key := [2]string{run.Source, run.Boot}
			if seen[key] == nil {
				seen[key] = new(numbers)
			}
			if twice, again := seen[key].add(run.Number, run.Frames); again {
				w.damage(f, name, FrameDoubled, r.name, fmt.Sprintf("frame %d of source %s, boot %q, is here and was there before", twice, run.Source, run.Boot))
			}
		}
	}
	w.neverCame(f, name, seen)
	return cuts
}

func (c *rawCut) add(file *content) {
	source := file.metadata["source"]
	if c.rows[source] == 0 {
		c.first[source] = file.file.FirstTime + file.ahead
	}
	c.rows[source] += file.file.Rows
	c.last[source] = file.file.LastTime + file.ahead
}

// listedFrames is how many frames a record says that a file has.
func listedFrames(r *archive.Record, c *content) (frames uint64) {
	part, _ := strconv.Atoi(c.metadata["part"]) // the first part has none
	for _, run := range r.Runs {
		if run.Source == c.metadata["source"] && run.Part == part {
			frames += run.Frames
		}
	}
	return frames
}

// follows compares a record's places in the journal and in the order of frames
// with those of the record before, nil when it is lost.
func (w *walk) follows(f *folder, r, before *record, first bool) {
	at := r.raw.Journal
	wrong := func(kind Kind, format string, args ...any) {
		w.damage(f, r.group, kind, r.name, fmt.Sprintf(format, args...))
	}
	nextSeq, nextPlace := uint64(1), uint64(1)
	if before != nil {
		nextSeq, nextPlace = before.raw.Journal.Last+1, before.raw.Last+1
		if at.Identity != before.raw.Journal.Identity {
			wrong(JournalReplaced, "it is of the journal %s, the cut before of %s", at.Identity, before.raw.Journal.Identity)
			return
		}
	}
	if before != nil && r.raw.Calibration != before.behind {
		wrong(Constants, "it was reduced by the calibration %q, but %q holds behind the cut before", r.raw.Calibration, before.behind)
	}
	if first || before != nil {
		switch {
		case at.First > nextSeq:
			wrong(JournalRange, "it begins with message %d of the journal; %d to %d are in no cut", at.First, nextSeq, at.First-1)
		case at.First < nextSeq:
			wrong(JournalRange, "it begins with message %d of the journal, the cut before reaches to %d", at.First, nextSeq-1)
		}
		switch {
		case r.raw.First > nextPlace:
			wrong(FrameDropped, "it begins with place %d of the order; %d to %d are in no cut", r.raw.First, nextPlace, r.raw.First-1)
		case r.raw.First < nextPlace:
			wrong(FrameDoubled, "it begins with place %d of the order, the cut before reaches to %d", r.raw.First, nextPlace-1)
		}
	}
	if at.Last+1 < at.First || r.raw.Last+1 < r.raw.First {
		wrong(RecordUnreadable, "its messages are %d to %d, its places %d to %d", at.First, at.Last, r.raw.First, r.raw.Last)
		return
	}
	if r.place != r.raw.Last {
		wrong(RecordUnreadable, "the state in it is that behind place %d, it reaches to %d", r.place, r.raw.Last)
	}
	// Every message is a frame, an event, a refused or a repeated one; only the
	// first of all may be that which names the journal.
	messages := at.Last + 1 - at.First
	known := r.raw.Last + 1 - r.raw.First + uint64(len(r.raw.Refused)) + r.raw.Repeated
	if begins := at.First == 1 && known+1 == messages; known != messages && !begins {
		wrong(JournalRange, "it covers %d messages, of which it knows %d", messages, known)
	}
	for _, refused := range r.raw.Refused {
		if refused.Sequence < at.First || refused.Sequence > at.Last {
			wrong(JournalRange, "message %d, which was refused, is not between %d and %d", refused.Sequence, at.First, at.Last)
		}
	}
}

// order makes sure that frames and events have the cut's places, each one.
func (w *walk) order(f *folder, r *record, places []uint64) (sound bool) {
	slices.Sort(places)
	next := r.raw.First
	for _, place := range places {
		switch {
		case place > next:
			w.damage(f, r.group, FrameDropped, r.name, fmt.Sprintf("no frame and no event has place %d of the order", next))
			return false
		case place < next:
			w.damage(f, r.group, FrameDoubled, r.name, fmt.Sprintf("two frames or events have place %d of the order, or it is of another cut", place))
			return false
		}
		next++
	}
	switch {
	case next > r.raw.Last+1:
		w.damage(f, r.group, FrameDoubled, r.name, fmt.Sprintf("frames or events have places up to %d of the order, the record reaches to %d", next-1, r.raw.Last))
		return false
	case next < r.raw.Last+1:
		w.damage(f, r.group, FrameDropped, r.name, fmt.Sprintf("no frame and no event has place %d of the order", next))
		return false
	}
	return true
}

// compareRows compares the rows of a cut in both folders.
func (w *walk) compareRows(f *folder, name string, raw *rawCut, reduced *resultCut) {
	if raw == nil || reduced == nil || !raw.sound || !reduced.sound {
		return
	}
	sources := map[string]bool{}
	whole := rawCut{rows: map[string]int64{}, first: map[string]int64{}, last: map[string]int64{}}
	for _, file := range reduced.files {
		whole.add(file) // one of several parts where the constants changed within the cut
	}
	for i, file := range reduced.files {
		source := file.metadata["source"]
		sources[source] = true
		more := slices.ContainsFunc(reduced.files[i+1:], func(c *content) bool { return c.metadata["source"] == source })
		switch {
		case more: // the last part of a source stands for all
		case whole.rows[source] != raw.rows[source]:
			w.damage(f, name, Rows, file.name, fmt.Sprintf("it has %d rows, the raw archive %d", whole.rows[source], raw.rows[source]))
		case whole.first[source] != raw.first[source] || whole.last[source] != raw.last[source]:
			w.damage(f, name, Rows, file.name, "its first or last time is another than that of the raw archive")
		}
	}
	for _, file := range raw.record.raw.Runs {
		if !sources[file.Source] {
			sources[file.Source] = true
			w.damage(f, name, Rows, reduced.record.name, fmt.Sprintf("it has no file of source %s, the raw archive has %d rows", file.Source, raw.rows[file.Source]))
		}
	}
}

// neverCame notes the frames that are missing between others of their boot.
func (w *walk) neverCame(f *folder, name string, seen map[[2]string]*numbers) {
	var keys [][2]string
	for key := range seen {
		keys = append(keys, key)
	}
	slices.SortFunc(keys, func(a, b [2]string) int { return slices.Compare(a[:], b[:]) })
	for _, key := range keys {
		n := seen[key]
		missing, example := n.missing()
		if missing > 0 {
			w.note("%s group %s, source %s, boot %q: %d frames, from number %d on, never came: they were not published, or refused",
				f.label, name, key[0], key[1], missing, example)
		}
	}
}
