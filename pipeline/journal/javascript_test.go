package journal

import (
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"glueline/pipeline/frame"
)

const scripts = "../../testdata/js"

// A frame of another language, Arrow library and broker's client.
func TestJavaScriptPublishes(t *testing.T) {
	if _, err := os.Stat(filepath.Join(scripts, "node_modules", "@nats-io")); err != nil {
		t.Fatalf("the script's packages are missing (%v); run: npm ci --prefix testdata/js", err)
	}
	ctx := testContext(t)
	s := startServer(t, ServerOptions{Listen: "127.0.0.1:0"})
	j := openJournal(t, connectInside(t, s))
	node := exec.CommandContext(ctx, "node", "publish-frame.mjs", s.URL(),
		FrameSubject("Hollin Lock", "gate", "logger 2"), "logger 2", "2026-05-04T05:58", "12", "600")
	node.Dir = scripts
	var said strings.Builder
	node.Stderr = &said
	answer, err := node.Output()
	if err != nil {
		t.Fatalf("node: %v\n%s", err, said.String())
	}
	var ack struct {
		Stream string
		Seq    uint64
	}
	if err := json.Unmarshal(answer, &ack); err != nil || ack.Seq != 2 || ack.Stream != StreamName("Hollin Lock", "gate") {
		t.Fatalf("acknowledged as %s (%v)", answer, err)
	}
	m, err := j.Get(ctx, ack.Seq)
	if err != nil {
		t.Fatal(err)
	}
	h, err := m.FrameHeader()
	if err != nil {
		t.Fatal(err)
	}
	f, err := frame.NewWireDecoder(j.Sources()).Decode(m.Data, h)
	if err != nil {
		t.Fatal(err)
	}
	if f.Source != "logger 2" || f.Boot != "2026-05-04T05:58" || f.Number != 12 || f.Counter != 600 {
		t.Errorf("%+v", h)
	}
	const start = 1_777_874_400_000_000_000
	if want := []int64{start, start + 20_000_000, start + 40_000_000}; !slices.Equal(f.Time, want) {
		t.Errorf("times %d", f.Time)
	}
	if len(f.Columns) != 2 {
		t.Fatalf("%d columns", len(f.Columns))
	}
	if c := f.Columns[0]; c.Name != "A1" || c.Unit != "mV/V" || !slices.Equal(c.Float, []float64{0.25, 0.5, -0.125}) {
		t.Errorf("%+v", c)
	}
	if c := f.Columns[1]; c.Name != "A2" || c.Unit != "" || !slices.Equal(c.Counts, []int32{1200, -7, 8388607}) || c.Valid != nil {
		t.Errorf("%+v", c)
	}
}

// The page shows the script that is tested, and the words that are in use.
func TestPublishingPageIsTrue(t *testing.T) {
	text, err := os.ReadFile("../../deploy/PUBLISHING.md")
	if err != nil {
		t.Fatal(err)
	}
	page := string(text)
	script, err := os.ReadFile(filepath.Join(scripts, "publish-frame.mjs"))
	if err != nil {
		t.Fatal(err)
	}
	_, code, found := strings.Cut(string(script), "\nimport ")
	if !found || !strings.Contains(page, "import "+code) {
		t.Error("the script of the page is not testdata/js/publish-frame.mjs")
	}
	for _, word := range []string{
		frame.HeaderSource, frame.HeaderBoot, frame.HeaderFrame, frame.HeaderCounter, HeaderEventID,
		FrameSubject("Hollin Lock", "gate", "logger 2"),
		string(frame.ReasonHeader), string(frame.ReasonUnknownSource), string(frame.ReasonOversized), string(frame.ReasonMalformed),
		string(frame.ReasonSchema), string(frame.ReasonTooManyColumns), string(frame.ReasonDuplicateNames), string(frame.ReasonNoRows), string(frame.ReasonTimeOrder),
	} {
		if !strings.Contains(page, "`"+word+"`") {
			t.Errorf("the page does not explain %s", word)
		}
	}
}
