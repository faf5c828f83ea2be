package reduce

import "testing"

func BenchmarkStrainColumn(b *testing.B) {
	const n = 10000
	dst, ratio, thermal, factor, lead := make([]float64, n), make([]float64, n), make([]float64, n), make([]float64, n), make([]float64, n)
	for i := range ratio {
		ratio[i], thermal[i], factor[i], lead[i] = 1e-3*float64(i)/n, 1e-4*float64(i)/n, 2.1, 1.5
	}
	for _, l := range Layouts() {
		b.Run(l.Name, func(b *testing.B) {
			bridge := Bridge{Layout: l, Gauge: 350, Response: [4]float64{1, -0.3, 1, -0.3}}
			var excitation []float64
			if l.Full() {
				excitation = lead
			}
			b.SetBytes(8 * n)
			for b.Loop() {
				bridge.StrainColumn(dst, ratio, thermal, factor, lead, excitation)
			}
		})
	}
}

func BenchmarkRosetteColumns(b *testing.B) {
	const n = 10000
	column := func() []float64 { return make([]float64, n) }
	ex, ey, gxy, e1, e2, shear, angle := column(), column(), column(), column(), column(), column(), column()
	grids := [][]float64{column(), column(), column()}
	for i := range n {
		grids[0][i], grids[1][i], grids[2][i] = 1e-3*float64(i)/n, 5e-4, -3e-4
	}
	r, err := NewRosette([]float64{0, 0.785, 1.571}, []float64{0.01, 0.012, 0.01}, 0.285)
	if err != nil {
		b.Fatal(err)
	}
	for _, c := range []struct {
		name  string
		angle []float64
	}{{"without angle", nil}, {"with angle", angle}} {
		b.Run(c.name, func(b *testing.B) {
			b.SetBytes(8 * n)
			for b.Loop() {
				r.Columns(ex, ey, gxy, nil, grids)
				PrincipalColumns(e1, e2, shear, c.angle, ex, ey, gxy)
			}
		})
	}
}
