package selfcheck

import "glueline/reduce"

// statisticsCase is mean, sample standard deviation and lag-1 autocorrelation.
func statisticsCase(in *inputs) (results, error) {
	data := in.numbers("data")
	return results{
		"mean": scalar{reduce.Mean(data), pureUnit},
		"sd":   scalar{reduce.SD(data), pureUnit},
		"lag1": scalar{reduce.Lag1(data), pureUnit},
	}, in.err()
}

// polynomialFitCase is a polynomial by least squares.
func polynomialFitCase(in *inputs) (results, error) {
	x, y := in.numbers("x"), in.numbers("y")
	degree := in.whole("degree", 0, 20)
	if err := in.err(); err != nil {
		return nil, err
	}
	fit, err := reduce.PolyFit(x, y, degree)
	if err != nil {
		return nil, err
	}
	return results{
		"coefficients": list{fit.Coefficients, pureUnit},
		"se":           list{fit.Errors, pureUnit},
		"residual_sd":  scalar{fit.ResidualSD, pureUnit},
	}, nil
}

// allanCase is the Allan deviation of a short series.
func allanCase(in *inputs) (results, error) {
	y := in.numbers("y")
	return results{
		"mean":     scalar{reduce.Mean(y), pureUnit},
		"sd":       scalar{reduce.SD(y), pureUnit},
		"adev_m1":  scalar{reduce.Allan(y, 1), pureUnit},
		"adev_m2":  scalar{reduce.Allan(y, 2), pureUnit},
		"oadev_m2": scalar{reduce.AllanOverlapping(y, 2), pureUnit},
	}, in.err()
}

// allanSequenceCase is the Allan deviation of the 1000 values that NIST SP 1065
// prescribes for testing programs: n' = 16807 n mod (2^31 - 1) from n =
// 1234567890, over 2^31 - 1.
func allanSequenceCase(in *inputs) (results, error) {
	const modulus = 1<<31 - 1
	factors := in.numbers("averaging_factors")
	y := make([]float64, 1000)
	n := int64(1234567890)
	for i := range y {
		y[i] = float64(n) / modulus
		n = 16807 * n % modulus
	}
	if len(factors) > len(y) {
		in.fault.add("inputs.averaging_factors are too many")
	}
	if err := in.err(); err != nil {
		return nil, err
	}
	deviations := make([]float64, len(factors))
	for i, m := range factors {
		deviations[i] = reduce.Allan(y, wholeOrZero(m, len(y)))
	}
	return results{"adev": list{deviations, pureUnit}}, nil
}

// wholeOrZero is m as a whole number up to high, or 0, of which no Allan
// deviation exists.
func wholeOrZero(m float64, high int) int {
	if m < 1 || m > float64(high) || m != float64(int(m)) {
		return 0
	}
	return int(m)
}

// driftCase is a straight line through a zero that wanders.
func driftCase(in *inputs) (results, error) {
	t, strain := in.numbers("t_s"), in.numbers("strain")
	if len(t) != len(strain) {
		in.fault.add("inputs: t_s and strain differ in length")
	}
	if err := in.err(); err != nil {
		return nil, err
	}
	line := reduce.Drift(t, strain)
	return results{
		"slope":        scalar{line.Slope, "strain/s"},
		"slope_se":     scalar{line.SlopeError, "strain/s"},
		"residual_sd":  scalar{line.ResidualSD, inStrain},
		"peak_to_peak": scalar{reduce.PeakToPeak(strain), inStrain},
	}, nil
}

// butterworthCase is the coefficients of a digital low-pass.
func butterworthCase(in *inputs) (results, error) {
	order, wn := in.whole("order", 1, reduce.MaxFilterOrder), in.positive("Wn")
	if wn >= 1 {
		in.fault.add("inputs.Wn has to be below 1")
	}
	if err := in.err(); err != nil {
		return nil, err
	}
	b, a := reduce.Butterworth(order, wn)
	return results{
		"b":                list{b, pureUnit},
		"a":                list{a, pureUnit},
		"sum_b_over_sum_a": scalar{sum(b) / sum(a), pureUnit},
	}, nil
}

func sum(x []float64) (s float64) {
	for _, v := range x {
		s += v
	}
	return s
}
