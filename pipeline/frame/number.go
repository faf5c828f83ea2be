package frame

import (
	"math"
	"math/bits"
	"strconv"
	"unsafe"
)

// scanNumber reads the decimal number that begins at b[i]: sign, digits,
// decimal mark, digits, exponent. It returns the nearest float64, ties to
// even, bit for bit what strconv.ParseFloat gives, and where the number ends;
// ok is false when there is no number, or it is beyond the range of float64. b
// must hold a byte that belongs to no number (the end of the line) behind it.
func scanNumber(b []byte, i int, decimal byte) (v float64, end int, ok bool) {
	start := i
	negative := b[i] == '-'
	if negative || b[i] == '+' {
		i++
	}
	first := i
	mantissa := uint64(0)
	for c := b[i] - '0'; c <= 9; c = b[i] - '0' {
		mantissa = mantissa*10 + uint64(c)
		i++
	}
	digits := i - first
	exponent := 0
	if b[i] == decimal {
		i++
		first = i
		for c := b[i] - '0'; c <= 9; c = b[i] - '0' {
			mantissa = mantissa*10 + uint64(c)
			i++
		}
		exponent = first - i
		digits -= exponent
	}
	if digits == 0 {
		return 0, start, false
	}
	if b[i]|0x20 == 'e' {
		j := i + 1
		down := b[j] == '-'
		if down || b[j] == '+' {
			j++
		}
		at, e := j, 0
		for c := b[j] - '0'; c <= 9; c = b[j] - '0' {
			e = min(e*10+int(c), 100_000)
			j++
		}
		if j == at {
			return 0, start, false
		}
		if down {
			e = -e
		}
		exponent += e
		i = j
	}
	if digits <= 19 { // fits uint64 for certain
		if v, ok = exactDecimal(mantissa, exponent); ok {
			if negative {
				v = -v
			}
			return v, i, true
		}
	}
	v, ok = parseLong(b[start:i], decimal)
	return v, i, ok
}

// powers of ten that float64 holds exactly.
var powersOfTen = [...]float64{1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11,
	1e12, 1e13, 1e14, 1e15, 1e16, 1e17, 1e18, 1e19, 1e20, 1e21, 1e22}

// powersOfFive are those that fit 64 bits.
var powersOfFive = func() (p [28]uint64) {
	p[0] = 1
	for i := 1; i < len(p); i++ {
		p[i] = 5 * p[i-1]
	}
	return p
}()

// exactDecimal is mantissa * 10^exponent, correctly rounded, for the exponents
// that readings have; ok is false for the others.
//
// Where mantissa and power are exact in float64, one correctly rounded
// operation does it (W. D. Clinger, "How to read floating point numbers
// accurately", 1990). Otherwise, for negative exponents, the quotient of
// mantissa and 5^-exponent is formed to 64 bits in integers, and rounded by
// its last eleven bits and whether a remainder is left; the factor 2^exponent
// goes into the float's exponent.
func exactDecimal(mantissa uint64, exponent int) (v float64, ok bool) {
	if mantissa < 1<<53 {
		if exponent <= 0 && exponent >= -22 {
			return float64(mantissa) / powersOfTen[-exponent], true
		}
		if exponent > 0 && exponent <= 22 {
			return float64(mantissa) * powersOfTen[exponent], true
		}
		if mantissa == 0 {
			return 0, true
		}
	}
	if exponent > 0 || exponent < -27 {
		return 0, false
	}
	divisor := powersOfFive[-exponent]
	shift, divisorShift := bits.LeadingZeros64(mantissa), bits.LeadingZeros64(divisor)
	mantissa <<= shift
	divisor <<= divisorShift
	scale := exponent - 64 + divisorShift - shift
	high, low := mantissa, uint64(0)
	if mantissa >= divisor {
		high, low = mantissa>>1, mantissa<<63
		scale++
	}
	quotient, remainder := bits.Div64(high, low, divisor) // its top bit is set
	significand, rest := quotient>>11, quotient&0x7FF
	if rest > 0x400 || rest == 0x400 && (remainder != 0 || significand&1 == 1) {
		significand++ // a carry to 2^53 runs into the exponent, as it should
	}
	return math.Float64frombits(uint64(scale+11+52+1023)<<52 + significand - 1<<52), true
}

// parseLong is for numbers of many digits or large exponents.
func parseLong(text []byte, decimal byte) (float64, bool) {
	if decimal != '.' {
		text = append([]byte(nil), text...)
		for i := range text {
			if text[i] == decimal {
				text[i] = '.'
			}
		}
	}
	v, err := strconv.ParseFloat(unsafe.String(&text[0], len(text)), 64)
	return v, err == nil
}
