package channel

import (
	"fmt"
	"math"

	"glueline/compensate"
	"glueline/pipeline/testfile"
)

// Sensor turns a temperature input's raw reading into degC.
type Sensor struct {
	kind         sensorKind
	thermocouple compensate.Thermocouple
	toMillivolt  float64 // millivolt a raw unit, for thermocouples
	r0           float64 // ohm, for Pt100
	Cold         string  // name of the temperature of the cold junction; "" when ColdFixed holds
	ColdFixed    float64 // degC
}

type sensorKind uint8

const (
	celsius sensorKind = iota
	fahrenheit
	thermocouple
	pt100
)

// SensorOf returns how a temperature's raw readings become degC. unit is the
// unit of the raw file, or "" when it states none.
func SensorOf(t *testfile.Temperature, unit string) (Sensor, error) {
	var s Sensor
	unit = symbol(unit)
	wrong := func(want string) (Sensor, error) {
		return s, fmt.Errorf("temperature input %s is in %q; a %s is read in %s", t.Input.Text, unit, t.Sensor.Or("degC sensor"), want)
	}
	switch t.Sensor.Or("degC") {
	case "degC":
		switch unit {
		case "degC", "":
		case "degF":
			s.kind = fahrenheit
		default:
			return wrong("degC or degF")
		}
	case "thermocouple":
		s.kind = thermocouple
		kind, ok := compensate.ParseThermocouple(t.Type.Text)
		if !ok {
			return s, fmt.Errorf("thermocouple of the type %q; write one of K, T, J, N, E", t.Type.Text)
		}
		s.thermocouple = kind
		switch unit {
		case "mV", "":
			s.toMillivolt = 1
		case "V":
			s.toMillivolt = 1e3
		case "uV":
			s.toMillivolt = 1e-3
		default:
			return wrong("mV, V or uV")
		}
		s.Cold = t.ColdJunction.Text
		s.ColdFixed = t.ColdFixed.Or(0)
	case "pt100":
		s.kind = pt100
		if unit != "ohm" && unit != "" {
			return wrong("ohm")
		}
		s.r0 = t.R0.Or(100)
	}
	return s, nil
}

// Temperature returns one reading in degC; coldJunction in degC matters to
// thermocouples only. NaN where the reading is none or out of the sensor's range.
func (s *Sensor) Temperature(reading, coldJunction float64) float64 {
	switch s.kind {
	case fahrenheit:
		return (reading - 32) / 1.8
	case thermocouple:
		return s.thermocouple.Temperature(reading*s.toMillivolt, coldJunction)
	case pt100:
		return compensate.Pt100Temperature(reading, s.r0)
	}
	// No probe on a structure reads this; loggers write such numbers for an open sensor.
	if math.Abs(reading) > 2000 {
		return math.NaN()
	}
	return reading
}

// NeedsColdJunction reports whether the reading depends on a cold junction.
func (s *Sensor) NeedsColdJunction() bool { return s.kind == thermocouple }
