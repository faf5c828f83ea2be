package group

import (
	"slices"
	"strings"
	"testing"

	"glueline/pipeline/testfile"
)

const changing = `
test: {name: changing, limits: {strain: 900 um/m}}
sources:
  node: {rate: 100 Hz, inputs: {A: {unit: V/V}, B: {unit: V/V}, C: {unit: V/V}, D: {unit: V/V}, T: {unit: degC}}}
lots:
  A23: {resistance: 350 ohm, gauge-factor: 2.08}
  B4: {resistance: 120 ohm, gauge-factor: 2.08}
materials: {plate: {young: 200 GPa, poisson: 0.3, expansion: 12e-6 /K}}
gauges: {a: {lot: A23}, b: {lot: A23}, c: {lot: A23}, d: {lot: B4}}
positions: {a: {material: plate}, b: {material: plate}, c: {material: plate}, d: {material: plate}}
wiring:
  - {position: a, gauge: a, input: node/A}
  - {position: b, gauge: b, input: node/B}
  - {position: c, gauge: c, input: node/C}
  - {position: d, gauge: d, input: node/D}
channels:
  a: {bridge: quarter_3wire}
  b: {bridge: quarter_3wire}
  c: {bridge: quarter_3wire}
  d: {bridge: quarter_3wire}
temperatures:
  t: {input: node/T}
`

func plansOfText(t *testing.T, text string) []*Plan {
	t.Helper()
	test, err := testfile.Parse("changing.yaml", []byte(text), nil)
	if err != nil {
		t.Fatal(err)
	}
	plans, err := Plans(test)
	if err != nil {
		t.Fatal(err)
	}
	return plans
}

func TestDifferencesSayWhatIsOther(t *testing.T) {
	cases := []struct {
		name string
		edit []string // old, new, …
		want []string
	}{
		{"nothing", nil, nil},
		{"a comment", []string{"lots:", "lots: # as on the package"}, nil},
		{"the gauge factor of a lot", []string{"{resistance: 350 ohm, gauge-factor: 2.08}", "{resistance: 350 ohm, gauge-factor: 2.11}"},
			[]string{"lot A23: gauge factor 2.08 -> 2.11: 3 channels (a, b, c)"}},
		{"of two lots", []string{"gauge-factor: 2.08", "gauge-factor: 2.11"},
			[]string{"lot A23: gauge factor 2.08 -> 2.11: 3 channels (a, b, c)", "lot B4: gauge factor 2.08 -> 2.11: channel d"}},
		{"a limit of all", []string{"900 um/m", "1000 um/m"},
			[]string{"lot A23: limit of strain 0.0009 -> 0.001: 3 channels (a, b, c)", "lot B4: limit of strain 0.0009 -> 0.001: channel d"}},
		{"a swapped wire", []string{"node/A}", "node/X}", "node/B}", "node/A}", "node/X}", "node/B}"},
			[]string{
				"lot A23: no longer on node/A, gauge a: channel a", "lot A23: now on node/B, gauge a: channel a",
				"lot A23: now on node/A, gauge b: channel b", "lot A23: no longer on node/B, gauge b: channel b",
			}},
		{"a channel less", []string{"  d: {bridge: quarter_3wire}\n", "", "  - {position: d, gauge: d, input: node/D}\n", "", ", d: {material: plate}", "", ", d: {lot: B4}", ""},
			[]string{"channel d of lot B4 was removed"}},
		{"two channels more", []string{"channels:\n", "channels:\n  e: {position: a, bridge: quarter_3wire}\n  f: {position: a, bridge: quarter_3wire}\n"},
			[]string{"2 channels (e, f) of lot A23 were added"}},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			after := changing
			for i := 0; i < len(c.edit); i += 2 {
				after = strings.ReplaceAll(after, c.edit[i], c.edit[i+1])
			}
			got, err := Differences(plansOfText(t, changing), plansOfText(t, after))
			if err != nil {
				t.Fatal(err)
			}
			if !slices.Equal(got, c.want) {
				t.Errorf("got\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(c.want, "\n"))
			}
		})
	}
}
