package frame

import (
	"fmt"
	"math"
	"math/rand/v2"
	"regexp"
	"strconv"
	"strings"
	"testing"
)

// plainNumber is the grammar that scanNumber reads.
var plainNumber = regexp.MustCompile(`^[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]+)?$`)

// checkNumber compares with strconv bit for bit.
func checkNumber(t *testing.T, text string) {
	t.Helper()
	for _, decimal := range []byte{'.', ','} {
		written := strings.ReplaceAll(text, ".", string(decimal))
		got, end, ok := scanNumber([]byte(written+"\n"), 0, decimal)
		if !plainNumber.MatchString(text) {
			if ok && end == len(text) {
				t.Errorf("%q is no plain number, read as %v", written, got)
			}
			continue
		}
		want, err := strconv.ParseFloat(text, 64)
		switch {
		case err != nil && ok:
			t.Errorf("%q is beyond float64, read as %v", written, got)
		case err == nil && (!ok || end != len(written)):
			t.Errorf("%q: not read to its end (%d of %d)", written, end, len(written))
		case err == nil && math.Float64bits(got) != math.Float64bits(want):
			t.Errorf("%q: %v (%#x), strconv gives %v (%#x)", written, got, math.Float64bits(got), want, math.Float64bits(want))
		}
	}
}

func TestNumbersAreThoseOfStrconv(t *testing.T) {
	for _, text := range []string{
		"0", "-0", "+0", "0.0", "-0.0e5", "1", "-1", ".5", "5.", "+.5e-1", "1e5", "1E+05", "1e-400", "1e400", "-1e999999999999",
		"9007199254740992", "9007199254740993", "9007199254740995", "18446744073709551615", "18446744073709551616",
		"9999999999999999999", "0.9999999999999999999", "0000000000000000000000001.5", "0.00000000000000000000000001",
		"123456789012345678901234567890", "2.2250738585072011e-308", "5e-324", "2e-324", "1.7976931348623157e308", "1.7976931348623159e308",
		"0.1", "0.3", "8.5e-28", "1.5e22", "1.5e23", "1e22", "1e23", "9007199254740993e-27", "9007199254740993e-28",
		"", "-", "+", ".", "e5", "1e", "1e+", "--1", "1_000", "0x10", "inf", "nan", "1.2.3", "1 2",
	} {
		checkNumber(t, text)
	}
	random := rand.New(rand.NewPCG(1, 2))
	for range 100_000 {
		var text string
		switch random.IntN(5) {
		case 0: // any float, shortest form
			text = strconv.FormatFloat(math.Float64frombits(random.Uint64()&^(0x7FF<<52)|uint64(random.IntN(2047))<<52), 'g', -1, 64)
		case 1: // readings, shortest form, as spreadsheets and data frames write them
			text = strconv.FormatFloat(random.NormFloat64()*math.Pow10(random.IntN(24)-18), 'f', -1, 64)
		case 2: // digits and a point anywhere
			digits := fmt.Sprint(random.Uint64() >> random.IntN(64))
			at := random.IntN(len(digits) + 1)
			text = digits[:at] + "." + digits[at:]
		case 3: // exponents over the whole of the integer path and beyond
			text = fmt.Sprintf("%de%d", random.Uint64()>>random.IntN(64), random.IntN(60)-35)
		case 4: // halfway between two floats, and one unit beside it
			m := random.Uint64()>>11 | 1<<52
			text = fmt.Sprintf("%d.%s", m, []string{"5", "50", "4999", "5001", "500000000000000000000001"}[random.IntN(5)])
		}
		checkNumber(t, text)
	}
}

// Halfway cases for the integer quotient: mantissas that lie midway between
// two floats after division by a power of two.
func TestHalfwayQuotientsRoundToEven(t *testing.T) {
	random := rand.New(rand.NewPCG(3, 4))
	for range 100_000 {
		// (2k+1) * 2^-1 with 54 significant bits, written with one decimal; and
		// odd multiples of 5^n that divide exactly.
		odd := random.Uint64()>>10 | 1<<53 | 1
		checkNumber(t, fmt.Sprintf("%d.5", odd>>2))
		n := random.IntN(5)
		checkNumber(t, fmt.Sprintf("%de-%d", (odd>>13|1)*powersOfFive[n], n))
	}
}

func FuzzNumber(f *testing.F) {
	for _, s := range []string{"1.5", "-0.00012345678901234567", "1e-5", "9007199254740993.5", "1,5", "nan"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		if strings.ContainsAny(text, "\n,") || len(text) > 1000 {
			return
		}
		checkNumber(t, text)
	})
}

func BenchmarkScanNumber(b *testing.B) {
	for _, test := range []struct {
		name, form string
	}{{"8 digits", "%.6f"}, {"shortest", "%v"}, {"savetxt", "%.18e"}} {
		b.Run(test.name, func(b *testing.B) {
			random := rand.New(rand.NewPCG(1, 2))
			var text []byte
			const n = 1000
			for range n {
				text = append(append(text, fmt.Sprintf(test.form, random.NormFloat64())...), '\n')
			}
			b.SetBytes(int64(len(text)))
			for b.Loop() {
				for i := 0; i < len(text); i++ {
					_, i, _ = scanNumber(text, i, '.')
				}
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/n, "ns/value")
		})
	}
}
