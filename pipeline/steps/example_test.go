package steps_test

import (
	"fmt"
	"time"

	"glueline/pipeline/event"
	"glueline/pipeline/group"
	"glueline/pipeline/steps"
)

// One step: a minute of rest, a minute of hold at 100 kN, a minute of rest. The
// load is on within a second, so there is no way up and down to compare.
func ExampleReport() {
	start := time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)
	at := func(seconds int) time.Time { return start.Add(time.Duration(seconds) * time.Second) }
	events := []event.Event{
		{Event: "step", State: "begin", Name: "proof", Target: "100 kN", Time: at(60)},
		{Event: "step", State: "hold", Name: "proof", Time: at(60)},
		{Event: "step", State: "end", Name: "proof", Time: at(120)},
		{Event: "load-state", State: "idle", Time: at(121)},
	}
	load := steps.Series{Name: "force", Kind: steps.Load}
	strain := steps.Series{Name: "beam"}
	for i := range 180 {
		kN, e := 0.0, 0.0
		switch {
		case i >= 60 && i < 120:
			kN, e = 100, 310e-6
		case i >= 120:
			e = 2e-6 // it does not quite come back
		}
		load.Time, load.Value = append(load.Time, at(i).UnixNano()), append(load.Value, kN)
		strain.Time, strain.Value = append(strain.Time, at(i).UnixNano()), append(strain.Value, e)
	}
	rows, err := steps.Report(events, []group.ChannelConstants{{Name: "beam"}}, func(visit func(steps.Series)) error {
		visit(load)
		visit(strain)
		return nil
	})
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, r := range rows {
		fmt.Printf("%s %s: %s %.0f um/m at %.0f kN, %.2f um/m a kN, return to zero %.0f um/m\n",
			r.Step, r.Target, r.Channel, r.Mean*1e6, r.Load, r.Slope*1e6, r.Return*1e6)
	}
	// Output: proof 100 kN: beam 310 um/m at 100 kN, 3.10 um/m a kN, return to zero 2 um/m
}
