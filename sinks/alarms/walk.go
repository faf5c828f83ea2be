package alarms

import (
	"context"
	"errors"
	"fmt"

	"glueline/pipeline/alarm"
	"glueline/pipeline/group"
	"glueline/pipeline/worker"
	"glueline/sinks/archive"
)

// Walk takes the archived cuts of a group from one on to before another through a
// sink, by the plans that held in them. Cuts in which there was nothing to judge
// are not reduced.
func Walk(ctx context.Context, raw, name string, from, before uint64, planOf func(digest string) (*group.Plan, error), s *Sink) error {
	for cut := from; cut < before; cut++ {
		if ctx.Err() != nil {
			return ctx.Err()
		}
		if err := walkCut(raw, name, cut, planOf, s); err != nil {
			return fmt.Errorf("alarms of cut %d of group %s: %w", cut, name, err)
		}
	}
	return nil
}

func walkCut(raw, name string, cut uint64, planOf func(digest string) (*group.Plan, error), s *Sink) error {
	record, err := archive.Read(raw, name, cut)
	if err != nil {
		return err
	}
	plan, err := planOf(record.Calibration)
	if err != nil {
		return err
	}
	s.Use(plan)
	if alarm.Compile(plan.Test(), plan).Empty() {
		for _, e := range record.Events {
			s.Event(e.Event)
		}
		return s.Cut(nil)
	}
	var behind []byte
	if cut > 0 {
		previous, err := archive.Read(raw, name, cut-1)
		if err != nil {
			return err
		}
		behind = previous.State
	}
	r, err := archive.Open(raw, record)
	if err != nil {
		return err
	}
	return errors.Join(worker.Recompute(plan, behind, r.Next, []worker.Sink{s}), r.Close())
}
