package study

import (
	"encoding/json"
	"reflect"
	"testing"

	"glueline/pipeline/drift"
	"glueline/pipeline/drift/driftsim"
)

// A record that is written and read back after any window goes on as one that
// was not, bit for bit; so does its gatherer inside a window.
func TestARestartChangesNothing(t *testing.T) {
	for i, kind := range []string{driftsim.Debond, driftsim.Moisture, driftsim.Connector} {
		c := driftsim.Make(driftsim.Options{Seed: uint64(i), Kind: kind})
		var whole, split drift.Record
		Feed(&c, &whole, &drift.Gatherer{}, nil)
		n := 0
		var g drift.Gatherer
		Feed(&c, &split, &g, func() {
			if n++; n%97 == 0 {
				again(t, &split)
				again(t, &g)
			}
		})
		if n < 1500 {
			t.Fatalf("%d windows only", n)
		}
		a, b := text(t, &whole), text(t, &split)
		if a != b {
			t.Errorf("%s: the state differs after restarts", kind)
		}
		if v, w := drift.Judge(&whole, Facts(c.Bridge)), drift.Judge(&split, Facts(c.Bridge)); !reflect.DeepEqual(v, w) {
			t.Errorf("%s: the verdict differs after restarts", kind)
		}
	}
}

func text(t *testing.T, x any) string {
	t.Helper()
	b, err := json.Marshal(x)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// again replaces a state by what its JSON says.
func again[S any](t *testing.T, state *S) {
	t.Helper()
	var fresh S
	if err := json.Unmarshal([]byte(text(t, state)), &fresh); err != nil {
		t.Fatal(err)
	}
	*state = fresh
}
