package worker

import (
	"cmp"
	"context"
	"encoding/hex"
	"errors"
	"fmt"

	"glueline/pipeline/event"
	"glueline/pipeline/frame"
	"glueline/pipeline/group"
)

// ErrCalibration occurs when the journal names a calibration that is not there:
// reducing what follows by another would be a wrong result that looks right.
// It stays until the calibration is there.
var ErrCalibration = errors.New("the journal names a calibration that is not there")

// ErrPassOver is what Live.Plans returns for a calibration that somebody said is not
// to hold: the event that names it is refused, and the one in force stays.
var ErrPassOver = errors.New("the calibration is passed over")

// PlanSink is a Sink that depends on the plan. Use is called behind a cut, ahead
// of the first batch of the plan.
type PlanSink interface {
	Sink
	Use(*group.Plan)
}

// isDigest says whether text can be the digest of a calibration: 8 to 32 bytes in
// hexadecimal. What cannot be is a mistake of whoever published it.
func isDigest(text string) bool {
	b, err := hex.DecodeString(text)
	return err == nil && len(b) >= 8 && len(b) <= 32
}

// ErrRevision ends a worker behind a cut: what follows goes into the results of
// another revision, which nobody but the caller can find. The newest record of
// the archive names it.
var ErrRevision = errors.New("what follows goes into another revision")

// calibration is a plan and the digest by which the journal names it.
type calibration struct {
	digest   string
	plan     *group.Plan
	revision string // that what follows goes into
}

// named returns the calibration of a digest; nil when it holds already, or when
// no digest is given.
func (l *Live) named(digest string) (*calibration, error) {
	return l.revised(digest, "")
}

// revised is named with the revision that what follows goes into; "" for the one
// that it goes into anyway.
func (l *Live) revised(digest, revision string) (*calibration, error) {
	revision = cmp.Or(revision, l.state.Revision)
	if digest == "" || digest == l.state.Calibration && revision == l.state.Revision || l.Plans == nil {
		return nil, nil
	}
	plan, err := l.Plans(digest)
	if err != nil {
		return nil, fmt.Errorf("%w: %q: %w", ErrCalibration, digest, err)
	}
	return &calibration{digest, plan, revision}, nil
}

// use has another calibration hold from here on.
func (l *Live) use(ctx context.Context, c *calibration) error {
	next := group.NewReducer(c.plan)
	if l.state.Place > 0 {
		var err error
		if next, err = HandOn(l.reducer, c.plan); err != nil {
			return err
		}
	}
	l.reduceWith(next)
	l.plan, l.state.Calibration, l.end.Calibration = c.plan, c.digest, c.digest
	l.decoder = frame.NewWireDecoder(c.plan.Sources())
	l.Progress.calibration(c.digest)
	return l.send(ctx, item{plan: c.plan})
}

// takeEvent hands an event to the pure function, which knows nothing of cuts and
// works by the plan that it has.
func takeEvent(r *group.Reducer, e event.Event) {
	if e.Event != event.Calibration {
		r.Event(e)
	}
}
