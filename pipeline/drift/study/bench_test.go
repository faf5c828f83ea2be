package study

import (
	"testing"

	"glueline/pipeline/drift"
	"glueline/pipeline/drift/driftsim"
)

// BenchmarkJudge is the cost of a verdict on two weeks of hours.
func BenchmarkJudge(b *testing.B) {
	c := driftsim.Make(driftsim.Options{Seed: 1, Kind: driftsim.Moisture})
	var r drift.Record
	Feed(&c, &r, &drift.Gatherer{}, nil)
	facts := Facts(c.Bridge)
	for b.Loop() {
		drift.Judge(&r, facts)
	}
}
