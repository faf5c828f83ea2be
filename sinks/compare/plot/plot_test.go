package plot_test

import (
	"bytes"
	"encoding/xml"
	"errors"
	"image/color"
	"image/png"
	"io"
	"math"
	"strings"
	"testing"
	"time"

	"glueline/sinks/compare"
	"glueline/sinks/compare/plot"
)

var nothing = compare.Extremes{Min: math.Inf(1), Max: math.Inf(-1)}

func chart(bins ...compare.Extremes) *plot.Chart {
	from := time.Date(2026, 5, 4, 6, 0, 0, 0, time.UTC).UnixNano()
	return &plot.Chart{
		Title: "skin-1 <a & b>", From: from, To: from + int64(8*time.Hour),
		Panels: []plot.Panel{
			{Label: "um/m", Scale: 1e6, Curves: []plot.Curve{{Name: "A", Bins: bins}, {Name: "B", Bins: nil}}},
			{Label: "B less A, um/m", Scale: 1e6, Curves: []plot.Curve{{Bins: bins}}},
		},
	}
}

func texts(t *testing.T, svg []byte) (all []string) {
	t.Helper()
	d := xml.NewDecoder(bytes.NewReader(svg))
	for in := ""; ; {
		token, err := d.Token()
		if errors.Is(err, io.EOF) {
			return all
		}
		if err != nil {
			t.Fatalf("%v in %s", err, svg)
		}
		switch x := token.(type) {
		case xml.StartElement:
			in = x.Name.Local
		case xml.CharData:
			if in == "text" && strings.TrimSpace(string(x)) != "" {
				all = append(all, string(x))
			}
		}
	}
}

// A rise of a thousand microstrain over eight hours, with nothing in its middle:
// the axes name round values of what was drawn, and the pixels are where the values
// are.
func TestAPictureShowsTheValues(t *testing.T) {
	bins := make([]compare.Extremes, plot.Width)
	for i := range bins {
		v := 1e-3 * float64(i) / float64(len(bins)-1)
		bins[i] = compare.Extremes{Min: v, Max: v}
		if i > 300 && i < 500 {
			bins[i] = nothing
		}
	}
	c := chart(bins...)
	var svg, picture bytes.Buffer
	if err := errors.Join(c.WriteSVG(&svg), c.WritePNG(&picture)); err != nil {
		t.Fatal(err)
	}
	said := strings.Join(texts(t, svg.Bytes()), "|")
	for _, want := range []string{"skin-1 <a & b>", "|0|", "|200|", "|1000|", "|06:00|", "|14:00|", "UTC, from 2026-05-04 06:00:00.000", "|A|", "B less A, um/m"} {
		if !strings.Contains(said+"|", want) {
			t.Errorf("no %q in %s", want, said)
		}
	}
	seen, err := png.Decode(&picture)
	if err != nil {
		t.Fatal(err)
	}
	at := func(x, y int) color.RGBA { return color.RGBAModel.Convert(seen.At(x, y)).(color.RGBA) }
	blue := at(0, 0)
	lowest := map[int]int{}
	bounds := seen.Bounds()
	for x := range bounds.Dx() {
		for y := 56; y < 56+260; y++ {
			if c := at(x, y); c.B > 0x80 && c.R < 0x40 {
				blue, lowest[x-96] = c, y
			}
		}
	}
	if blue.R > 0x40 {
		t.Fatal("nothing was drawn")
	}
	// A twentieth of room below and above: 11/11 of the height is 1.1 of the span.
	for _, i := range []int{5, 150, 299, 501, 700, plot.Width - 5} {
		want := 56 + 259*(1.05-float64(i)/float64(len(bins)-1))/1.1
		if got, ok := lowest[i]; !ok || math.Abs(float64(got)-want) > 2.5 {
			t.Errorf("part %d is at %d (%v), want %.1f", i, got, ok, want)
		}
	}
	for i := 320; i < 480; i++ {
		if y, ok := lowest[i]; ok {
			t.Errorf("part %d has no value, and is at %d", i, y)
		}
	}
}

// Whatever the values, there is a picture, and it is the same the next time.
func FuzzChart(f *testing.F) {
	f.Add(0.0, 1.0, int64(0), int64(1))
	f.Add(1e-6, 1e-6, int64(1), int64(1)<<62)
	f.Add(-1e308, 1e308, int64(math.MinInt64), int64(math.MaxInt64))
	f.Add(math.NaN(), math.Inf(1), int64(5), int64(-5))
	f.Add(5e-324, 0.0, int64(0), int64(1e9))
	f.Add(123456.0, math.Nextafter(123456, 2e9), int64(0), int64(3e18))
	f.Fuzz(func(t *testing.T, a, b float64, from, to int64) {
		c := chart(compare.Extremes{Min: math.Min(a, b), Max: math.Max(a, b)}, nothing, compare.Extremes{Min: b, Max: b})
		c.From, c.To = from, to
		var one, two bytes.Buffer
		if err := errors.Join(c.WriteSVG(&one), c.WriteSVG(&two)); err != nil || !bytes.Equal(one.Bytes(), two.Bytes()) {
			t.Fatal(err)
		}
		if n := len(texts(t, one.Bytes())); n > 80 {
			t.Errorf("%d texts", n)
		}
		if err := c.WritePNG(io.Discard); err != nil {
			t.Fatal(err)
		}
	})
}

// A disk that is full is told of.
func TestAFailedWrite(t *testing.T) {
	c := chart(compare.Extremes{Min: 0, Max: 1})
	if err := c.WriteSVG(failing{}); !errors.Is(err, errFull) {
		t.Error(err)
	}
	if err := c.WritePNG(failing{}); !errors.Is(err, errFull) {
		t.Error(err)
	}
}

var errFull = errors.New("full")

type failing struct{}

func (failing) Write([]byte) (int, error) { return 0, errFull }
