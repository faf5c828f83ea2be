package frame

import (
	"fmt"
	"math/big"
	"math/rand/v2"
	"testing"
	"time"
)

// Instants are those of the time package, whatever offset they are written
// with.
func TestInstantsAreThoseOfTheTimePackage(t *testing.T) {
	random := rand.New(rand.NewPCG(1, 2))
	var c clock
	at := time.Date(1950, 1, 1, 0, 0, 0, 0, time.UTC)
	for range 100_000 {
		// Mostly small steps, so that the remembered minute is used; some large.
		step := time.Duration(random.Int64N(int64(20 * time.Second)))
		if random.IntN(10) == 0 {
			step = time.Duration(random.Int64N(int64(20 * 24 * time.Hour)))
		}
		at = at.Add(step)
		offset := (random.IntN(2*14*4) - 14*4) * 15 * 60
		if random.IntN(2) == 0 {
			offset = 0
		}
		text := at.In(time.FixedZone("", offset)).Format([]string{time.RFC3339Nano, "2006-01-02 15:04:05.000Z07:00", "2006-01-02T15:04:05,000000000-0700", "2006-01-02t15:04Z07:00"}[random.IntN(4)])
		got, fault := c.parse([]byte(text), '.')
		if fault != nil {
			t.Fatalf("%s: %+v", text, fault)
		}
		want, err := time.Parse(time.RFC3339Nano, isoOf(text))
		if err != nil {
			t.Fatal(err)
		}
		if got != want.UnixNano() {
			t.Fatalf("%s: %d, want %d", text, got, want.UnixNano())
		}
	}
}

// isoOf writes the forms above as RFC 3339 does.
func isoOf(text string) string {
	b := []byte(text)
	b[10] = 'T'
	if b[16] != ':' {
		b = append(append(append([]byte{}, b[:16]...), ":00"...), b[16:]...)
	}
	if len(b) > 19 && b[19] == ',' {
		b[19] = '.'
	}
	if n := len(b); b[n-1] != 'Z' && b[n-3] != ':' {
		b = append(append(append([]byte{}, b[:n-2]...), ':'), b[n-2:]...)
	}
	return string(b)
}

func TestZonesChangeWithTheSeason(t *testing.T) {
	zone, err := loadZone("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	c := clock{zone: zone}
	for _, test := range []struct{ local, utc string }{
		{"2026-03-29T01:59:59.999999999", "2026-03-29T00:59:59.999999999Z"},
		{"2026-03-29T03:00:00", "2026-03-29T01:00:00Z"},
		{"2026-10-25T01:59:59", "2026-10-24T23:59:59Z"},
		{"2026-10-25T03:00:00", "2026-10-25T02:00:00Z"},
	} {
		got, fault := c.parse([]byte(test.local), '.')
		if fault != nil || got != instantOf(t, test.utc) {
			t.Errorf("%s: %s %+v, want %s", test.local, instant(got), fault, test.utc)
		}
	}
}

// Counts are exact to the nanosecond, halves away from zero: checked with
// rational numbers.
func TestCountsAreExact(t *testing.T) {
	random := rand.New(rand.NewPCG(3, 4))
	for range 50_000 {
		c := clock{seconds: true, digits: []int{9, 6, 3, 0}[random.IntN(4)], start: random.Int64N(1e15)}
		text := fmt.Sprintf("%d.%0*d", random.Int64N(1e6), 1+random.IntN(11), random.Int64N(1e9))
		if random.IntN(3) == 0 {
			text += fmt.Sprintf("e%d", random.IntN(8)-5)
		}
		if random.IntN(2) == 0 {
			text = "-" + text
		}
		r, ok := new(big.Rat).SetString(text)
		if !ok {
			t.Fatal(text)
		}
		r.Mul(r, new(big.Rat).SetInt(new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(c.digits)), nil)))
		twice := new(big.Int).Quo(new(big.Int).Mul(r.Num(), big.NewInt(2)), r.Denom()) // towards zero
		want := twice.Int64() / 2
		if twice.Bit(0) == 1 {
			want += int64(twice.Sign())
		}
		got, fault := c.parse([]byte(text), '.')
		if fault != nil || got != c.start+want {
			t.Fatalf("%s of %d digits: %d %+v, want %d", text, c.digits, got-c.start, fault, want)
		}
	}
}

func TestTimesThatAreRefused(t *testing.T) {
	var instants clock
	for _, text := range []string{"", "2026", "2026-03-01", "2026-03-01T08", "2026-3-01T08:00", "2026-03-01X08:00:00Z", "2026-03-01T08:00:0Z",
		"2026-03-01T08:00:00.Z", "2026-03-01T08:00:00+1", "2026-03-01T08:00:00+01:0", "2026-03-01T08:00:00+24:00", "2026-03-01T08:00:00+01:60",
		"2026-03-01T08:00:00ZZ", "2026-03-01T08:00:00  Z", "2026-00-01T08:00:00Z", "2026-13-01T08:00:00Z", "2026-04-31T08:00:00Z", "2026-03-01T08:60:00Z", "1677-12-31T00:00:00Z"} {
		if at, fault := instants.parse([]byte(text), '.'); fault == nil || fault.want == "" {
			t.Errorf("%q is read as %s", text, instant(at))
		}
	}
	counts := clock{seconds: true, digits: 9}
	for _, text := range []string{"", "-", ".", "e5", "1e", "1e+", "1.2.3", "1,5", "0x10", "1 2", "inf", "9223372037", "1e300", "-9223372037"} {
		if at, fault := counts.parse([]byte(text), '.'); fault == nil || fault.want == "" {
			t.Errorf("%q is read as %d", text, at)
		}
	}
}
