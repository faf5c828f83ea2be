package testfile

import (
	"math"
	"slices"
	"testing"
)

// What the good file declares, asked as the drift asks it.
func TestDeclaredEvidence(t *testing.T) {
	test := good(t)
	for _, c := range []struct {
		what      string
		got, want []string
	}{
		{"witnesses of a channel that is named", test.WitnessesOf("mid"), []string{"coupon"}},
		{"witnesses by lot", test.WitnessesOf("P2"), []string{"coupon"}},
		{"witnesses by lot, on another material", test.WitnessesOf("ra"), nil},
		{"witnesses of another lot", test.WitnessesOf("bush"), nil},
		{"witnesses of a witness", test.WitnessesOf("coupon"), nil},
		{"witnesses of nobody", test.WitnessesOf("nobody"), nil},
		{"neighbours", test.NeighboursOf("ka"), []string{"mid", "kb"}},
		{"neighbours by the other's word", test.NeighboursOf("kb"), []string{"ka"}},
		{"neighbours of one that has none", test.NeighboursOf("kc"), nil},
		{"reference", []string{test.ReferenceOf("deck"), test.ReferenceOf("frame")}, []string{"steady", ""}},
	} {
		if !slices.Equal(c.got, c.want) {
			t.Errorf("%s: %q, want %q", c.what, c.got, c.want)
		}
	}
	for name, want := range map[string]bool{"coupon": true, "kc": true, "ka": false, "nobody": false} {
		if test.FreeToExpand(name) != want {
			t.Errorf("%s: free to expand %v", name, !want)
		}
	}
	for name, want := range map[string]float64{"faces": 1, "cross": 1 / 0.3, "twice": -1} {
		p, _ := test.Pairs.Get(name)
		if k, ok := test.PairFactor(p); !ok || math.Abs(k-want) > 1e-15 {
			t.Errorf("%s: factor %g, want %g", name, k, want)
		}
	}
	p, _ := test.Pairs.Get("cross")
	p.Poisson = Quantity{}
	m, _ := test.Material("carbon-steel")
	if k, ok := test.PairFactor(p); !ok || k != 1/m.Poisson.Value || m.Poisson.Value <= 0 {
		t.Errorf("Poisson ratio of the material: %g, %v", k, ok)
	}
}
