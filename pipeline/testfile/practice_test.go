package testfile

import (
	"math"
	"slices"
	"strings"
	"testing"
	"time"
)

// bonding is an installation on a material, as a whole test file.
func bonding(t *testing.T, material, record string) *Test {
	t.Helper()
	test, err := Parse("t.yaml", []byte(`
test: {name: bonding}
sources: {n: {rate: 1 Hz, unit: mV/V}}
lots: {L: {resistance: 350 ohm ± 0.3 %, gauge-factor: 2}}
installations:
  i:
`+strings.TrimPrefix(record, "\n")+`
gauges: {G: {lot: L, installation: i}}
positions: {P: {material: `+material+`}}
wiring: [{position: P, gauge: G, input: n/1}]
`), nil)
	if err != nil {
		t.Fatal(err)
	}
	return test
}

const wholeRecord = `
    adhesive: {class: cyanoacrylate}
    preparation:
      - {step: abrade, agent: mild-acid, at: 2026-04-20T08:00:00Z}
      - {step: neutralise, agent: distilled-water, at: 2026-04-20T08:10:00Z}
    bonded: 2026-04-20T08:20:00Z
    cured: 2026-04-20T09:00:00Z
    coating: wax
    resistance-after: 350.5 ohm
    insulation-after: 5 Gohm
    signed: M. Arkle
`

func ids(findings []Finding) []string {
	var all []string
	for _, f := range findings {
		all = append(all, f.Rule)
	}
	return all
}

// Every rule is broken by one change of a whole record, and by it alone. All
// the rules are common practice, no source.
func TestRulesOfPractice(t *testing.T) {
	for _, c := range []struct {
		name, material, old, new  string
		broken, paperwork, detail string
	}{
		{"whole", "carbon-steel", "", "", "", "", ""},
		{"exactly ten minutes on copper", "copper", "", "", "", "", ""},
		{"ten minutes and a second on copper", "copper", "bonded: 2026-04-20T08:20:00Z", "bonded: 2026-04-20T08:20:01Z", "copper-window", "", "bonded 10.02 min after the last preparation step, 0.01667 min too late"},
		{"fourteen minutes on a copper alloy", "bronze", "bonded: 2026-04-20T08:20:00Z", "bonded: 2026-04-20T08:24:00Z", "copper-window", "", "bonded 14 min after the last preparation step, 4 min too late"},
		{"fourteen minutes on steel", "carbon-steel", "bonded: 2026-04-20T08:20:00Z", "bonded: 2026-04-20T08:24:00Z", "", "", ""},
		{"ammonia on brass", "brass", "distilled-water", "ammonia-neutraliser", "copper-neutraliser", "", ""},
		{"ammonia on steel", "carbon-steel", "distilled-water", "ammonia-neutraliser", "", "", ""},
		{"surface other than the position", "carbon-steel", "    coating: wax\n", "    coating: wax\n    surface: copper\n    note: tin\n", "", "", ""},
		{"preparation out of order", "carbon-steel", "at: 2026-04-20T08:00:00Z", "at: 2026-04-20T08:12:00Z", "preparation-order", "", "neutralise is 2 min before abrade"},
		{"bonded before preparation", "copper", "bonded: 2026-04-20T08:20:00Z", "bonded: 2026-04-20T08:05:00Z", "bonded-after-preparation", "", "bonded 5 min before"},
		{"cured before bonded", "carbon-steel", "cured: 2026-04-20T09:00:00Z", "cured: 2026-04-20T08:20:00Z", "cured-after-bonded", "", ""},
		{"resistance within 0.5 % and the lot's tolerance", "carbon-steel", "350.5 ohm", "352.7 ohm", "", "", ""},
		{"resistance beyond", "carbon-steel", "350.5 ohm", "352.9 ohm", "resistance-shift", "", "+0.83 %"},
		{"resistance below", "carbon-steel", "350.5 ohm", "346 ohm", "resistance-shift", "", "-1.14 %"},
		{"insulation", "carbon-steel", "5 Gohm", "900 Mohm", "insulation", "", "900 Mohm"},
		{"cyanoacrylate bare outdoors for long", "carbon-steel", "    coating: wax\n", "    coating: none\n    outdoors: yes\n    long-term: yes\n", "moisture-cyanoacrylate", "", ""},
		{"cyanoacrylate bare outdoors for a day", "carbon-steel", "    coating: wax\n", "    outdoors: yes\n", "", "moisture", ""},
		{"no time of the first step on copper", "copper", ", at: 2026-04-20T08:00:00Z", "", "", "", ""},
		{"no time of bonding on copper", "copper", "    bonded: 2026-04-20T08:20:00Z\n", "", "", "times", "so that the ten minutes on copper cannot be judged"},
		{"no cure", "carbon-steel", "    cured: 2026-04-20T09:00:00Z\n", "", "", "times", "no end of cure"},
		{"unsigned", "carbon-steel", "    signed: M. Arkle\n", "", "", "signed", ""},
		{"no adhesive", "carbon-steel", "    adhesive: {class: cyanoacrylate}\n", "", "", "adhesive-range", ""},
	} {
		record := wholeRecord
		if c.old != "" {
			if strings.Count(record, c.old) != 1 {
				t.Fatalf("%s: %q is not once in the record", c.name, c.old)
			}
			record = strings.Replace(record, c.old, c.new, 1)
		}
		test := bonding(t, c.material, record)
		e := test.Envelope("G")
		if got := strings.Join(ids(e.Broken), " "); got != c.broken {
			t.Errorf("%s: broken %q, want %q", c.name, got, c.broken)
		}
		if got := strings.Join(ids(e.Paperwork), " "); got != c.paperwork {
			t.Errorf("%s: paperwork %q, want %q", c.name, got, c.paperwork)
		}
		for _, f := range slices.Concat(e.Broken, e.Paperwork) {
			if !strings.Contains(f.Text, c.detail) || f.Source != noSource || !f.Mark.written() {
				t.Errorf("%s: finding %+v, want it to say %q", c.name, f, c.detail)
			}
		}
		if e.Signed != (c.name != "unsigned") {
			t.Errorf("%s: signed %v", c.name, e.Signed)
		}
	}
}

// The surface that the record names stands before the position's material.
func TestSurfaceOfTheRecord(t *testing.T) {
	record := strings.Replace(wholeRecord, "distilled-water", "ammonia-neutraliser", 1) + "    surface: bronze\n"
	if e := bonding(t, "carbon-steel", record).Envelope("G"); !slices.Equal(ids(e.Broken), []string{"copper-neutraliser"}) {
		t.Errorf("broken %v", e.Broken)
	}
}

func TestTemperaturesOfAdhesives(t *testing.T) {
	for _, c := range []struct {
		adhesive        string
		lowest, highest float64
	}{
		// Field practice: -30 to +195 degF for a short time, 65 degC for long by default.
		{"{class: cyanoacrylate}", -34, 91},
		{"{class: cyanoacrylate}\n    long-term: yes", -34, 65},
		{"{class: cyanoacrylate, highest-long-term: 45 degC}", -34, 45},
		{"{class: cyanoacrylate, highest-long-term: 45 degC}\n    long-term: yes", -34, 45},
		{"{class: cyanoacrylate, highest: 60 degC}\n    long-term: yes", -34, 60},
		{"{class: cyanoacrylate, lowest: 0 degC, highest: 50 degC}", 0, 50},
		{"{class: epoxy-hot, highest: 120 degC}", -60, 120},
		{"{class: other, lowest: -10 degC, highest: 50 degC}", -10, 50},
		{"{class: other}", math.Inf(-1), math.Inf(1)},
	} {
		e := bonding(t, "carbon-steel", strings.Replace(wholeRecord, "{class: cyanoacrylate}", c.adhesive, 1)).Envelope("G")
		if e.Lowest != c.lowest || e.Highest != c.highest {
			t.Errorf("%s: %v to %v, want %v to %v", c.adhesive, e.Lowest, e.Highest, c.lowest, c.highest)
		}
		if want := time.Date(2026, 4, 20, 9, 0, 0, 0, time.UTC); !e.CuredAt.Equal(want) {
			t.Errorf("cured at %v", e.CuredAt)
		}
	}
}

func TestNoRecord(t *testing.T) {
	e := good(t).Envelope("G3")
	if !slices.Equal(ids(e.Paperwork), []string{"record"}) || e.Signed || !math.IsInf(e.Highest, 1) || !e.CuredAt.IsZero() || e.Paperwork[0].Mark.Line == 0 {
		t.Errorf("envelope without a record: %+v", e)
	}
}

// Rules are data that people can be shown.
func TestRulesHaveSources(t *testing.T) {
	seen := map[string]bool{}
	for _, r := range Rules() {
		if r.ID == "" || r.Text == "" || r.Source == "" || seen[r.ID] || r.Kind != kindBroken && r.Kind != kindPaperwork {
			t.Errorf("rule %+v", r)
		}
		seen[r.ID] = true
	}
	for class, r := range serviceRanges {
		if !(r.lowest < r.longTerm && r.longTerm <= r.highest) {
			t.Errorf("%s serves from %v to %v, for long to %v", class, r.lowest, r.highest, r.longTerm)
		}
	}
}
