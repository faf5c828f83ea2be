package channel_test

import (
	"math"
	"strings"
	"testing"

	"glueline/pipeline/channel"
	"glueline/pipeline/testfile"
)

// A unit is the same however a logger writes it; another is refused by name.
func TestUnitsOfRawFilesHaveManySpellings(t *testing.T) {
	source := testfile.Source{
		Logger: testfile.Logger{GaugeFactor: testfile.Quantity{Value: 2, Given: true}},
		Scale:  testfile.Quantity{Value: 5e-10, Unit: "V/V", Given: true},
	}
	// 1000 um/m at gauge factor 2 and bridge factor 1 is GF e/4 = 0.5 mV/V.
	for _, c := range []struct {
		unit  string
		ratio float64 // of a reading of 1000
	}{
		{"microstrain", 5e-4}, {"um/m", 5e-4}, {"µm/m", 5e-4}, {"μm/m", 5e-4}, {"µm / m", 5e-4}, {"µε", 5e-4}, {"με", 5e-4}, {"ustrain", 5e-4}, {"ue", 5e-4},
		{"mV/V", 1}, {"mV / V", 1}, {"count", 5e-7}, {"counts", 5e-7},
	} {
		r, err := channel.RawOf(&source, "A", c.unit)
		if err != nil {
			t.Errorf("%s: %v", c.unit, err)
			continue
		}
		if got := r.Ratio(1000, 1); !(math.Abs(got-c.ratio) <= 1e-15) {
			t.Errorf("%s: 1000 is %g, want %g", c.unit, got, c.ratio)
		}
	}
	for _, unit := range []string{"kN", "mm/m", "V/mV", "%"} {
		if _, err := channel.RawOf(&source, "A", unit); err == nil || !strings.Contains(err.Error(), `input A is in "`+unit+`"`) {
			t.Errorf("%s: %v", unit, err)
		}
	}
	for _, unit := range []string{"degC", "°C", "℃"} {
		s, err := channel.SensorOf(&testfile.Temperature{}, unit)
		if err != nil || s.Temperature(21.5, 0) != 21.5 {
			t.Errorf("%s: %v", unit, err)
		}
	}
}
