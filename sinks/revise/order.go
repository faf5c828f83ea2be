package revise

import (
	"fmt"

	"glueline/pipeline/group"
	"glueline/pipeline/worker"
	"glueline/sinks/archive"
	"glueline/sinks/segment"
)

// Entry is a calibration in a timeline.
type Entry struct {
	From   uint64 // place of the group's order that it holds from
	Digest string
	Plan   *group.Plan
}

// Timeline says which calibration holds from where on; places rise, and the
// first is 0.
type Timeline []Entry

// Between returns what holds from one place to another, both included.
func (t Timeline) Between(first, last uint64) []worker.Switch {
	var out []worker.Switch
	for i, e := range t {
		ends := i+1 < len(t) && t[i+1].From <= first
		if !ends && (e.From <= last || len(out) == 0) {
			out = append(out, worker.Switch{From: e.From, Plan: e.Plan})
		}
	}
	return out
}

// Order is a group to be reduced again.
type Order struct {
	Group   string
	Test    string // name of the test
	Raw     string // folder of the raw archive
	Base    string // folder of a revision to take files from that do not change; "" for none
	Out     string // folder of the new one
	Program segment.Program

	Timeline Timeline
	Was      Timeline // of Base
	Cuts     uint64   // to be made, from the first on

	Workers int                              // goroutines; 0 for one
	Share   float64                          // of the machine's processor time that this process may take; 0 for all
	Done    func(cut uint64, rawBytes int64) // told of each cut that gets its record while Run works, in order, whoever made it; nil for nobody
}

// ArchiveTimeline is the timeline that the archive's records tell: each names the
// calibration that its cut was reduced by as it came. It is that of the cuts from
// first on, and before cuts.
func ArchiveTimeline(raw, name string, first, cuts uint64, plan func(digest string) (*group.Plan, error)) (Timeline, error) {
	var t Timeline
	for cut := first; cut < cuts; cut++ {
		r, err := archive.Read(raw, name, cut)
		if err != nil {
			return nil, err
		}
		if n := len(t); n > 0 && t[n-1].Digest == r.Calibration {
			continue
		}
		p, err := plan(r.Calibration)
		if err != nil {
			return nil, fmt.Errorf("cut %d of group %s: %w", cut, name, err)
		}
		from := r.First
		if cut == 0 {
			from = 0
		}
		t = append(t, Entry{from, r.Calibration, p})
	}
	return t, nil
}
