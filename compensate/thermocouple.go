package compensate

import "math"

// Thermocouple is a type of thermocouple with an ITS-90 reference function.
type Thermocouple uint8

// The types known.
const (
	TypeK Thermocouple = iota
	TypeT
	TypeJ
	TypeN
	TypeE
)

const thermocoupleNames = "KTJNE"

func (c Thermocouple) String() string {
	if int(c) < len(thermocoupleNames) {
		return thermocoupleNames[c : c+1]
	}
	return "?"
}

// ParseThermocouple returns the type with the given letter.
func ParseThermocouple(letter string) (Thermocouple, bool) {
	for c := range Thermocouple(len(thermocoupleNames)) {
		if c.String() == letter {
			return c, true
		}
	}
	return 0, false
}

// emfSegment is one polynomial of a reference function.
type emfSegment struct {
	lo, hi float64   // degC
	c      []float64 // mV, ascending powers of degC
}

// segments of the reference functions: NIST Monograph 175 (ITS-90), the same
// as in IEC 60584-1 and ASTM E230.
var emfSegments = [len(thermocoupleNames)][]emfSegment{
	TypeK: {
		{-270, 0, []float64{
			0.0,
			0.039450128025,
			2.3622373598e-05,
			-3.2858906784e-07,
			-4.9904828777e-09,
			-6.7509059173e-11,
			-5.7410327428e-13,
			-3.1088872894e-15,
			-1.0451609365e-17,
			-1.9889266878e-20,
			-1.6322697486e-23,
		}},
		{0, 1372, []float64{
			-0.017600413686,
			0.038921204975,
			1.8558770032e-05,
			-9.9457592874e-08,
			3.1840945719e-10,
			-5.6072844889e-13,
			5.6075059059e-16,
			-3.2020720003e-19,
			9.7151147152e-23,
			-1.2104721275e-26,
		}},
	},
	TypeT: {
		{-270, 0, []float64{
			0.0,
			0.038748106364,
			4.4194434347e-05,
			1.1844323105e-07,
			2.0032973554e-08,
			9.0138019559e-10,
			2.2651156593e-11,
			3.6071154205e-13,
			3.8493939883e-15,
			2.8213521925e-17,
			1.4251594779e-19,
			4.8768662286e-22,
			1.079553927e-24,
			1.3945027062e-27,
			7.9795153927e-31,
		}},
		{0, 400, []float64{
			0.0,
			0.038748106364,
			3.329222788e-05,
			2.0618243404e-07,
			-2.1882256846e-09,
			1.0996880928e-11,
			-3.0815758772e-14,
			4.547913529e-17,
			-2.7512901673e-20,
		}},
	},
	TypeJ: {
		{-210, 760, []float64{
			0.0,
			0.050381187815,
			3.047583693e-05,
			-8.568106572e-08,
			1.3228195295e-10,
			-1.7052958337e-13,
			2.0948090697e-16,
			-1.2538395336e-19,
			1.5631725697e-23,
		}},
		{760, 1200, []float64{
			296.45625681,
			-1.4976127786,
			0.0031787103924,
			-3.1847686701e-06,
			1.5720819004e-09,
			-3.0691369056e-13,
		}},
	},
	TypeN: {
		{-270, 0, []float64{
			0.0,
			0.026159105962,
			1.0957484228e-05,
			-9.3841111554e-08,
			-4.6412039759e-11,
			-2.6303357716e-12,
			-2.2653438003e-14,
			-7.6089300791e-17,
			-9.3419667835e-20,
		}},
		{0, 1300, []float64{
			0.0,
			0.025929394601,
			1.571014188e-05,
			4.3825627237e-08,
			-2.5261169794e-10,
			6.4311819339e-13,
			-1.0063471519e-15,
			9.9745338992e-19,
			-6.0863245607e-22,
			2.0849229339e-25,
			-3.0682196151e-29,
		}},
	},
	TypeE: {
		{-270, 0, []float64{
			0.0,
			0.058665508708,
			4.5410977124e-05,
			-7.7998048686e-07,
			-2.5800160843e-08,
			-5.9452583057e-10,
			-9.3214058667e-12,
			-1.0287605534e-13,
			-8.0370123621e-16,
			-4.3979497391e-18,
			-1.6414776355e-20,
			-3.9673619516e-23,
			-5.5827328721e-26,
			-3.4657842013e-29,
		}},
		{0, 1000, []float64{
			0.0,
			0.05866550871,
			4.5032275582e-05,
			2.8908407212e-08,
			-3.3056896652e-10,
			6.502440327e-13,
			-1.9197495504e-16,
			-1.2536600497e-18,
			2.1489217569e-21,
			-1.4388041782e-24,
			3.5960899481e-28,
		}},
	},
}

// The exponential that type K has above 0 degC: a0 exp(a1 (t - a2)^2), mV.
const (
	expK0 = 0.1185976
	expK1 = -0.0001183432
	expK2 = 126.9686
)

// cryogenic is the temperature in degC below which the polynomials' terms are
// thousands of times larger than their sum, while the slope nearly vanishes:
// plain summation would be off by up to 1e-7 K.
const cryogenic = -150

// at returns the emf in mV at t and its derivative in mV/K.
func (s *emfSegment) at(t float64, exponential bool) (emf, slope float64) {
	for i := len(s.c) - 1; i >= 0; i-- {
		slope = slope*t + emf
		emf = emf*t + s.c[i]
	}
	if t < cryogenic {
		emf = hornerExact(s.c, t)
	}
	if exponential {
		x := t - expK2
		bump := expK0 * exp(expK1*(x*x))
		emf += bump
		slope += bump * (2 * expK1 * x)
	}
	return emf, slope
}

// Range returns the temperatures in degC between which the reference function
// is defined, both included.
func (c Thermocouple) Range() (lo, hi float64) {
	if int(c) >= len(emfSegments) {
		return math.NaN(), math.NaN()
	}
	s := emfSegments[c]
	return s[0].lo, s[len(s)-1].hi
}

func (c Thermocouple) exponential(segment int) bool { return c == TypeK && segment == 1 }

// EMF returns the voltage in mV of a thermocouple whose measuring junction is
// at t degC and whose reference junction is at 0 degC, by the ITS-90 reference
// function (NIST Monograph 175). NaN outside Range.
func (c Thermocouple) EMF(t float64) float64 {
	if int(c) < len(emfSegments) {
		segments := emfSegments[c]
		for i := range segments {
			s := &segments[i]
			if t >= s.lo && t <= s.hi {
				emf, _ := s.at(t, c.exponential(i))
				return emf
			}
		}
	}
	return math.NaN()
}

// Temperature returns the temperature in degC of the measuring junction from
// the voltage in mV and the temperature of the reference junction in degC:
// E^-1(mV + E(coldJunction)). Temperatures must not be added instead, since
// the function is not straight. The reference function itself is inverted, by
// iteration to the last digits; the published inverse polynomials are
// approximations, off by up to 0.06 K. NaN if either temperature is outside
// Range.
func (c Thermocouple) Temperature(mV, coldJunction float64) float64 {
	return c.inverse(mV + c.EMF(coldJunction))
}

// TemperatureColumn writes Temperature of every sample to dst and returns dst,
// which may be the same slice as an input.
func (c Thermocouple) TemperatureColumn(dst, mV, coldJunction []float64) []float64 {
	dst, coldJunction = dst[:len(mV)], coldJunction[:len(mV)]
	for i, v := range mV {
		dst[i] = c.Temperature(v, coldJunction[i])
	}
	return dst
}

// EMFColumn writes EMF of every temperature in degC to dst and returns dst,
// which may be the same slice.
func (c Thermocouple) EMFColumn(dst, t []float64) []float64 {
	dst = dst[:len(t)]
	for i, v := range t {
		dst[i] = c.EMF(v)
	}
	return dst
}

// knots divides a segment for the first guess of the inversion.
const knots = 32

// emfKnots[type][segment] is the emf at equally spaced temperatures, both ends
// of the segment included.
var emfKnots = func() (k [len(thermocoupleNames)][][knots + 1]float64) {
	for c, segments := range emfSegments {
		k[c] = make([][knots + 1]float64, len(segments))
		for i := range segments {
			s := &segments[i]
			for j := range k[c][i] {
				t := s.lo + (s.hi-s.lo)*float64(j)/knots
				k[c][i][j], _ = s.at(t, Thermocouple(c).exponential(i))
			}
		}
	}
	return k
}()

// inverse returns the temperature at which the emf is mV.
func (c Thermocouple) inverse(mV float64) float64 {
	if int(c) >= len(emfSegments) {
		return math.NaN()
	}
	segments := emfSegments[c]
	for i := range segments {
		k := &emfKnots[c][i]
		switch {
		case mV < k[0]-rounding:
			if i == 0 {
				return math.NaN() // below the range
			}
			return segments[i].lo // between two segments that do not quite meet
		case mV <= k[knots]:
			return segments[i].invert(mV, k, c.exponential(i))
		case i == len(segments)-1 && mV <= k[knots]+rounding:
			return segments[i].hi
		}
	}
	return math.NaN()
}

// rounding in mV is what adding and subtracting the emf of a cold junction can
// do to a voltage at the end of the range.
const rounding = 1e-12

// invert solves at(t) = mV between two knots: Newton's step, or halving where
// that would leave the bracket.
func (s *emfSegment) invert(mV float64, k *[knots + 1]float64, exponential bool) float64 {
	lo, hi := 0, knots
	for hi-lo > 1 {
		if mid := (lo + hi) / 2; k[mid] <= mV {
			lo = mid
		} else {
			hi = mid
		}
	}
	width := (s.hi - s.lo) / knots
	a, b := s.lo+width*float64(lo), s.lo+width*float64(hi)
	t := a + (b-a)*(mV-k[lo])/(k[hi]-k[lo])
	for range 60 {
		emf, slope := s.at(t, exponential)
		if emf < mV {
			a = t
		} else {
			b = t
		}
		next := t - (emf-mV)/slope
		if !(next >= a && next <= b) {
			t = a + (b-a)/2
			continue
		}
		// The error after a step of Newton's is a hundredth or less of the
		// step's square (K): after this one nothing is left.
		if math.Abs(next-t) <= 1e-6 {
			return next
		}
		t = next
	}
	return t
}
