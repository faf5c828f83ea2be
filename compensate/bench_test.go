package compensate

import "testing"

func BenchmarkColumns(b *testing.B) {
	const n = 10000
	t, dst, cold := make([]float64, n), make([]float64, n), make([]float64, n)
	for i := range t {
		t[i], cold[i] = 60*float64(i)/n, 23
	}
	mV := TypeK.EMFColumn(make([]float64, n), t)
	ohm := make([]float64, n)
	for i, x := range t {
		ohm[i] = Pt100Resistance(x, 100)
	}
	for name, kernel := range map[string]func(){
		"thermal output of degree 4": func() { testThermal.ResistanceColumn(dst, t) },
		"gauge factor":               func() { testThermal.GaugeFactor.Column(dst, t) },
		"leads":                      func() { LeadColumn(dst, 1.5, CopperTempco, t) },
		"thermocouple K":             func() { TypeK.TemperatureColumn(dst, mV, cold) },
		"Pt100":                      func() { Pt100Column(dst, ohm, 100) },
	} {
		b.Run(name, func(b *testing.B) {
			b.SetBytes(8 * n)
			for b.Loop() {
				kernel()
			}
		})
	}
}
