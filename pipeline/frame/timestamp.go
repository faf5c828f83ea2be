package frame

import (
	"bytes"
	"fmt"
	"math"
	"math/bits"
	"regexp"
	"strings"
	"time"
)

// clock reads the time column of one file. It remembers the last minute, so
// that the calendar is worked out once a minute and not once a row.
type clock struct {
	seconds bool // the column holds a count since start, not instants
	digits  int  // of a count: 9 for seconds, 6 for ms, 3 for us, 0 for ns
	start   int64
	zone    *time.Location // of instants that state none; nil when none is declared

	minute [17]byte // as written, "2006-01-02T15:04:"
	utc    int64    // that minute, read as UTC
	local  int64    // what to add to it when no zone is written
	known  bool     // local has been worked out
}

// parse returns nanoseconds since 1970-01-01 UTC; the error says what is wrong
// with the field and what would be right.
func (c *clock) parse(b []byte, decimal byte) (int64, *fault) {
	if c.seconds {
		return c.parseCount(b, decimal)
	}
	return c.parseInstant(b)
}

// fault is what is wrong with a field.
type fault struct{ found, want string }

func quoted(b []byte) string {
	const most = 60
	if len(b) > most {
		return fmt.Sprintf("%q...", b[:most])
	}
	return fmt.Sprintf("%q", b)
}

// otherDate matches dates that are not written as ISO 8601 has them.
var otherDate = regexp.MustCompile(`^[0-9]{1,2}[./-][0-9]{1,2}[./-][0-9]{2,4}\b|^[0-9]{4}[./][0-9]{1,2}[./][0-9]{1,2}\b`)

// notAnInstant says what is wrong with a field that is no instant.
func notAnInstant(b []byte) *fault {
	switch {
	case !otherDate.Match(b):
		return &fault{quoted(b), instantForm}
	case len(b) > 3 && digit(b[3]) && digit(b[2]):
		return &fault{quoted(b) + ", a date without hyphens", instantForm}
	}
	return &fault{quoted(b) + ", a date whose order of day and month nothing states", instantForm}
}

const instantForm = "write ISO 8601, for example 2026-03-01T08:00:00.25Z"

func (c *clock) parseInstant(b []byte) (int64, *fault) {
	bad := func() (int64, *fault) { return 0, notAnInstant(b) }
	if len(b) < 16 {
		return bad()
	}
	rest := b[16:]
	if len(b) < 17 || [17]byte(b[:17]) != c.minute {
		if f := c.newMinute(b); f != nil {
			return 0, f
		}
	}
	t := c.utc
	if len(rest) > 0 && rest[0] == ':' {
		if len(rest) < 3 || !digit(rest[1]) || !digit(rest[2]) {
			return bad()
		}
		second := int64(rest[1]-'0')*10 + int64(rest[2]-'0')
		if second > 59 {
			return 0, &fault{quoted(b), "seconds go from 00 to 59; leap seconds have no instant of their own"}
		}
		t += second * 1e9
		rest = rest[3:]
		if len(rest) > 0 && (rest[0] == '.' || rest[0] == ',') {
			i := 1
			scale := int64(1e8)
			for ; i < len(rest) && digit(rest[i]); i++ {
				if scale == 0 && rest[i] != '0' {
					return 0, &fault{quoted(b), "fractions of a second go down to nanoseconds: nine digits"}
				}
				t += int64(rest[i]-'0') * scale
				scale /= 10
			}
			if i == 1 {
				return bad()
			}
			rest = rest[i:]
		}
	}
	if len(rest) == 1 && rest[0]|0x20 == 'z' {
		return t, nil
	}
	if len(rest) == 0 {
		if !c.known {
			if f := c.localOffset(b); f != nil {
				return 0, f
			}
		}
		return t + c.local, nil
	}
	if rest[0] == ' ' {
		rest = rest[1:]
	}
	offset, ok := parseOffset(rest)
	if !ok {
		return bad()
	}
	return t - offset, nil
}

func digit(c byte) bool { return c-'0' <= 9 }

// parseOffset reads +02:00, +0200 or +02 as nanoseconds east of UTC.
func parseOffset(b []byte) (int64, bool) {
	if len(b) == 6 && b[3] == ':' {
		b = []byte{b[0], b[1], b[2], b[4], b[5]}
	}
	if len(b) != 3 && len(b) != 5 || b[0] != '+' && b[0] != '-' {
		return 0, false
	}
	for _, c := range b[1:] {
		if !digit(c) {
			return 0, false
		}
	}
	hours, minutes := int64(b[1]-'0')*10+int64(b[2]-'0'), int64(0)
	if len(b) == 5 {
		minutes = int64(b[3]-'0')*10 + int64(b[4]-'0')
	}
	if hours > 23 || minutes > 59 {
		return 0, false
	}
	offset := (hours*60 + minutes) * 60e9
	if b[0] == '-' {
		offset = -offset
	}
	return offset, true
}

// newMinute works out the first 16 bytes, date to minute.
func (c *clock) newMinute(b []byte) *fault {
	c.minute = [17]byte{} // nothing is remembered unless all is well
	for i, form := range []byte("dddd-dd-ddTdd:dd") {
		switch {
		case form == 'd' && !digit(b[i]),
			form == 'T' && b[i] != 'T' && b[i] != 't' && b[i] != ' ',
			form != 'd' && form != 'T' && b[i] != form:
			return notAnInstant(b)
		}
	}
	number := func(from, to int) (n int) {
		for _, d := range b[from:to] {
			n = n*10 + int(d-'0')
		}
		return n
	}
	year, month, day, hour, minute := number(0, 4), number(5, 7), number(8, 10), number(11, 13), number(14, 16)
	t := time.Date(year, time.Month(month), day, hour, minute, 0, 0, time.UTC)
	if t.Year() != year || int(t.Month()) != month || t.Day() != day || t.Hour() != hour || t.Minute() != minute {
		return &fault{quoted(b), "there is no such date or time of day"}
	}
	if year < 1678 || year > 2261 {
		return &fault{quoted(b), "instants are kept in 64-bit nanoseconds: years 1678 to 2261"}
	}
	c.utc = t.UnixNano()
	c.known = false
	if len(b) >= 17 {
		c.minute = [17]byte(b[:17])
	}
	return nil
}

// localOffset works out what the declared zone makes of the minute. An hour
// that the zone skips or has twice is refused, since guessing would be silent.
func (c *clock) localOffset(b []byte) *fault {
	if c.zone == nil {
		return &fault{quoted(b), "a time without zone; write the offset (…Z or …+01:00) in the file, or declare csv.zone of the source, or test.zone"}
	}
	const day = 24 * 3600e9
	found := 0
	var offsets [2]int64
	for i, near := range [2]int64{c.utc - day, c.utc + day} {
		_, seconds := time.Unix(0, near).In(c.zone).Zone()
		offset := int64(seconds) * 1e9
		if i == 1 && offset == offsets[0] {
			continue
		}
		offsets[i] = offset
		if _, back := time.Unix(0, c.utc-offset).In(c.zone).Zone(); int64(back)*1e9 == offset {
			found++
			c.local = -offset
		}
	}
	switch found {
	case 0:
		return &fault{quoted(b), "clocks in " + c.zone.String() + " skip this hour; write times with their offset"}
	case 2:
		return &fault{quoted(b), "clocks in " + c.zone.String() + " show this hour twice; write times with their offset"}
	}
	c.known = true
	return nil
}

// parseCount reads a decimal count of seconds (or ms, us, ns) exactly, rounded
// to the nanosecond.
func (c *clock) parseCount(b []byte, decimal byte) (int64, *fault) {
	bad := func(want string) (int64, *fault) { return 0, &fault{quoted(b), want} }
	const form = "write seconds as a plain number, for example 12.25"
	i, negative := 0, false
	if len(b) > 0 && (b[0] == '-' || b[0] == '+') {
		negative = b[0] == '-'
		i++
	}
	mantissa, exponent, digits, point := uint64(0), c.digits, 0, false
	for ; i < len(b); i++ {
		switch d := b[i] - '0'; {
		case d <= 9:
			digits++
			if mantissa < 1e18 {
				mantissa = mantissa*10 + uint64(d)
				if point {
					exponent--
				}
			} else if !point {
				exponent++ // beyond what int64 nanoseconds can tell apart
			}
			continue
		case b[i] == decimal && !point:
			point = true
			continue
		}
		break
	}
	if digits == 0 {
		return bad(form)
	}
	if i < len(b) && b[i]|0x20 == 'e' {
		i++
		down := i < len(b) && b[i] == '-'
		if i < len(b) && (b[i] == '-' || b[i] == '+') {
			i++
		}
		from, e := i, 0
		for ; i < len(b) && digit(b[i]); i++ {
			e = min(e*10+int(b[i]-'0'), 1000)
		}
		if i == from {
			return bad(form)
		}
		if down {
			e = -e
		}
		exponent += e
	}
	if i < len(b) {
		return bad(form)
	}
	const tooLarge = "instants are kept in 64-bit nanoseconds: years 1678 to 2261"
	for ; exponent > 0 && mantissa != 0; exponent-- {
		high, low := bits.Mul64(mantissa, 10)
		if high != 0 {
			return bad(tooLarge)
		}
		mantissa = low
	}
	if exponent < 0 {
		divisor := uint64(1)
		for ; exponent < 0 && divisor < 1e19; exponent++ {
			divisor *= 10
		}
		if exponent < 0 {
			mantissa = 0
		} else {
			half := mantissa % divisor
			mantissa /= divisor
			if half >= divisor-half {
				mantissa++
			}
		}
	}
	if mantissa > math.MaxInt64 {
		return bad(tooLarge)
	}
	count := int64(mantissa)
	if negative {
		count = -count
	}
	t := c.start + count
	if (t > c.start) != (count > 0) && count != 0 {
		return bad(tooLarge)
	}
	return t, nil
}

// looksLikeInstant tells 2026-… from a count.
func looksLikeInstant(b []byte) bool {
	return len(b) > 4 && bytes.IndexByte(b[1:], '-') == 3
}

// loadZone finds a declared zone: a name of the time zone database, UTC, or a
// fixed offset such as +01:00. It never means the zone of the machine.
func loadZone(name string) (*time.Location, error) {
	if name == "Z" {
		name = "UTC"
	}
	if offset, ok := parseOffset([]byte(name)); ok {
		return time.FixedZone(name, int(offset/1e9)), nil
	}
	if name == "" || strings.EqualFold(name, "local") {
		return nil, fmt.Errorf("zone %q; write UTC, an offset such as +01:00, or a name such as Europe/Berlin", name)
	}
	zone, err := time.LoadLocation(name)
	if err != nil {
		return nil, fmt.Errorf("zone %q: %w; write UTC, an offset such as +01:00, or a name such as Europe/Berlin", name, err)
	}
	return zone, nil
}
