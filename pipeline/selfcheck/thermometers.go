package selfcheck

import "glueline/compensate"

// thermocoupleCase is a reference function (emf of t90_degC) or its inverse (t90
// of measured_mV with a cold junction).
func thermocoupleCase(in *inputs) (results, error) {
	kind := in.thermocouple()
	got := results{}
	if in.has("t90_degC") {
		got["emf"] = scalar{kind.EMF(in.number("t90_degC")), inMV}
	} else {
		got["t90"] = scalar{kind.Temperature(in.number("measured_mV"), in.number("cold_junction_degC")), inDegC}
	}
	return got, in.err()
}

func (in *inputs) thermocouple() compensate.Thermocouple {
	letter := in.string("type")
	kind, ok := compensate.ParseThermocouple(letter)
	if !ok {
		in.fault.add("%s.type: no thermocouple is called %q", in.path, letter)
	}
	return kind
}

// pt100Case is resistance from temperature or temperature from resistance. R is
// as tables print it, R_full with more digits; the tolerances differ.
func pt100Case(in *inputs) (results, error) {
	const r0 = 100
	got := results{}
	if in.has("t90_degC") {
		r := scalar{compensate.Pt100Resistance(in.number("t90_degC"), r0), inOhm}
		got["R"], got["R_full"] = r, r
	} else {
		got["t90"] = scalar{compensate.Pt100Temperature(in.positive("R_ohm"), r0), inDegC}
	}
	return got, in.err()
}
