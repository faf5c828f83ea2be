package main

import (
	"testing"
	"time"

	"glueline/pipeline/flag"
	"glueline/pipeline/simulate"
)

// Nobody balanced a bridge in the two days: nothing is called a jump but the one
// that there is, where somebody turned an amplifier's gain up in a rest.
func TestJumpIsSeenWhereThereIsOneOnly(t *testing.T) {
	for _, o := range []simulate.Options{
		{Seed: 1}, {Seed: 2, Faults: simulate.NoFaults}, {Seed: 3, Duration: 24 * time.Hour}, {Seed: 4, Quiet: true, Duration: 12 * time.Hour},
	} {
		o.Format = "arrow"
		truth, err := simulate.Write(t.TempDir(), o, nil)
		if err != nil {
			t.Fatal(err)
		}
		out := reduceTo(t, append([]string{truth.TestFile, "--events", truth.Events}, truth.Files...)...)
		rows, jumped := 0, ""
		turned := ""
		for _, f := range truth.Faults {
			if f.Kind == simulate.Saturated {
				turned = f.Channel + " flags"
			}
		}
		for source, r := range readSegments(t, out) {
			for name, masks := range r.flags {
				for i, m := range masks {
					rows++
					if m&flag.Jump != 0 {
						jumped = name
						if name != turned {
							t.Errorf("seed %d: %s, %s at %s: %s", o.Seed, source, name, time.Unix(0, r.time[i]).UTC(), m)
						}
						break
					}
				}
			}
		}
		if (o.Seed == 1 || o.Seed == 3) && jumped != turned { // it was a rest there
			t.Errorf("seed %d: the gain of %s was turned up and nothing is flagged", o.Seed, turned)
		}
		if rows < 1e6 {
			t.Errorf("seed %d: only %d rows", o.Seed, rows)
		}
	}
}
