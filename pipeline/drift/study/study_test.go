package study

import (
	"os"
	"strconv"
	"strings"
	"testing"
)

func TestStudy(t *testing.T) {
	seed, _ := strconv.ParseUint(os.Getenv("SEED"), 10, 64)
	all := Run(seed, 20, os.Getenv("WIDE") != "", os.Getenv("WIDE") != "")
	var text strings.Builder
	Table(&text, all)
	t.Log(text.String())
	for i := range all {
		if o := &all[i]; strings.Contains(os.Getenv("SHOW"), o.Truth.Kind) && (!o.Right() || os.Getenv("LATE") != "" && o.Right() && !(o.Late < 12 && o.Late > -12)) {
			t.Logf("---- %+v size %.1f onset h %d moved %.1f late %.0f also %s", o.Options, o.Truth.Size*1e6, o.Truth.Onset/60, o.Verdict.Moved*1e6, o.Late, o.Truth.Also)
			for _, p := range o.Verdict.Ranked[:2] {
				t.Logf("   %s %.1f %q %q", p.Cause, p.Score, p.For, p.Against)
			}
			for _, p := range o.Verdict.Ranked {
				if string(p.Cause) == o.Truth.Kind {
					t.Logf("   TRUE %s %.1f %q %q", p.Cause, p.Score, p.For, p.Against)
				}
			}
		}
	}
}
