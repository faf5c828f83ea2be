package trial

import (
	"flag"
	"fmt"
	"os"
	"strings"
	"testing"

	flags "glueline/pipeline/flag"
)

var update = flag.Bool("update", false, "rewrite the tables of the page")

const page = "../../../deploy/FLAGS.md"

// section holds the page's table of that name against what the code states.
func section(t *testing.T, name, want string) {
	t.Helper()
	raw, err := os.ReadFile(page)
	if err != nil {
		t.Fatal(err)
	}
	text := string(raw)
	begin, end := "<!-- "+name+" -->\n", "<!-- end of "+name+" -->\n"
	from, to := strings.Index(text, begin)+len(begin), strings.Index(text, end)
	if from < len(begin) || to < from {
		t.Fatalf("the page has no section %q", name)
	}
	if *update {
		if err := os.WriteFile(page, []byte(text[:from]+want+text[to:]), 0o644); err != nil {
			t.Fatal(err)
		}
	} else if text[from:to] != want {
		t.Errorf("section %q of the page is not what the code states; make golden rewrites it:\n%s", name, want)
	}
}

func TestPageStatesTheTrials(t *testing.T) {
	var b strings.Builder
	b.WriteString("| bit | flag | meaning | tried with | found within | gone within | cleared by |\n|---|---|---|---|---|---|---|\n")
	for i, f := range flags.All() {
		for _, c := range trials {
			if c.flag != f.Mask {
				continue
			}
			goes := fmt.Sprint(c.goes)
			if c.to == 0 {
				goes = "never"
			}
			fmt.Fprintf(&b, "| %d | `%s` | %s | %s | %d | %s | %s |\n", i, f.Name, f.Meaning, c.fault, c.within, goes, c.cleared)
		}
	}
	section(t, "trials", b.String())
}

func TestPageStatesWhatIsLeftOut(t *testing.T) {
	uses := []struct {
		name string
		mask flags.Mask
	}{
		{"summaries, steps, cycles, limits", flags.LeavesOut}, {"drift", flags.LeavesOutOfDrift},
		{"slow zero", flags.LeavesOutOfSlowZero}, {"alarms", flags.LeavesOutOfAlarms},
		{"zeros", flags.LeavesOutOfZero}, {"refuses the zero", flags.RefusesZero},
		{"spikes", flags.LeavesOutOfSpikes}, {"jumps", flags.LeavesOutOfJumps},
	}
	var b strings.Builder
	b.WriteString("| flag |")
	for _, u := range uses {
		b.WriteString(" " + u.name + " |")
	}
	b.WriteString("\n|---|" + strings.Repeat("---|", len(uses)) + "\n")
	for _, f := range flags.All() {
		b.WriteString("| `" + f.Name + "` |")
		for _, u := range uses {
			word := " |"
			if u.mask&f.Mask != 0 {
				word = " out |"
			}
			b.WriteString(word)
		}
		b.WriteString("\n")
	}
	section(t, "left out", b.String())
}

func TestPageStatesTheBars(t *testing.T) {
	var b strings.Builder
	for _, f := range flags.All() {
		if n := bar(f.Mask); n > 0 {
			fmt.Fprintf(&b, "- `%s`: at most %g in a million samples\n", f.Name, n)
		}
	}
	b.WriteString("- every other flag: none\n")
	section(t, "bars", b.String())
}
