package follow

import (
	"math"
	"testing"

	"glueline/pipeline/drift"
	"glueline/pipeline/group"
)

// Each quantity beside the strain comes from where it belongs: excitation and
// reference from the channel's own source, lead temperature by the wiring, and a
// witness and a neighbour by how far they moved since they were first read.
func TestCovariates(t *testing.T) {
	strain := batches(6, func(hour float64) row { return row{strain: 5e-6 * worked(hour), load: worked(hour)} }, always(300))
	moving := func(at []int64, slope float64) (c Column) { // from 50 um/m on, a slope an hour
		for _, ns := range at {
			c.Value, c.Flags = append(c.Value, 50e-6+slope*float64(ns-start.UnixNano())/3600e9), append(c.Flags, 0)
		}
		return c
	}
	steady := func(n int, kind Kind, name string, value float64) Column {
		c := Column{Name: name, Kind: kind}
		for range n {
			c.Value = append(c.Value, value)
		}
		return c
	}
	in := &Input{
		Channels: []group.ChannelConstants{constantsOf(t, "web"), constantsOf(t, "coupon"), constantsOf(t, "twin")},
		Declared: &Declared{Witnesses: map[string][]string{"web": {"coupon"}}, Neighbours: map[string][]string{"web": {"twin"}}},
		Batches: func(visit func(*Batch)) error {
			return strain(func(b *Batch) {
				n := len(b.Time)
				coupon, twin := moving(b.Time, 1e-6), moving(b.Time, -2e-6)
				coupon.Name, twin.Name = "coupon", "twin"
				b.Columns = append(b.Columns, coupon, twin, steady(n, Temperature, "cable", 31), steady(n, Excitation, "volt", 2.5), steady(n, Reference, "bridge", 2e-3))
				visit(b)
				visit(&Batch{Source: "other", Time: b.Time, Columns: []Column{steady(n, Excitation, "volt", 9), steady(n, Reference, "bridge", 9e-3), steady(n, Temperature, "hall", 9)}})
			})
		},
	}
	all, err := Run(in)
	if err != nil || len(all) != 3 || all[0].Channel != "web" {
		t.Fatalf("%d channels: %v", len(all), err)
	}
	epochs := all[0].Record.Epochs
	e, later := &epochs[2], &epochs[4]
	for _, c := range []struct {
		name  string
		what  drift.Covariate
		value float64
	}{
		{"temperature", drift.Temperature, 20}, {"lead temperature", drift.LeadTemperature, 31}, {"humidity", drift.Humidity, 55},
		{"excitation", drift.Excitation, 2.5}, {"reference", drift.Reference, 4e-6}, // 2 uV/V of a quarter bridge of gauge factor 2: 4 r / k,
	} {
		if got := e.With[c.what].Mean(); math.Abs(got-c.value) > 1e-9*c.value {
			t.Errorf("%s %g, want %g", c.name, got, c.value)
		}
	}
	// Over two hours, whatever they began with.
	if moved := later.With[drift.Witness].Mean() - e.With[drift.Witness].Mean(); math.Abs(moved-2e-6) > 1e-9 {
		t.Errorf("the witness moved by %g", moved)
	}
	if moved := later.With[drift.Neighbours].Mean() - e.With[drift.Neighbours].Mean(); math.Abs(moved+4e-6) > 1e-9 {
		t.Errorf("the neighbour moved by %g", moved)
	}
	if first := epochs[0].With[drift.Witness].Mean(); math.Abs(first) > 1e-6 {
		t.Errorf("a witness begins at %g", first)
	}
	// Nobody declared any for the others.
	for _, h := range all[1:] {
		if x := h.Record.Epochs[2].With; !math.IsNaN(x[drift.Witness].Mean()) || !math.IsNaN(x[drift.Neighbours].Mean()) {
			t.Errorf("%s has a witness or a neighbour", h.Channel)
		}
	}
}
