package plot

import (
	"math"
	"strconv"
	"time"
)

// level is a line across a panel.
type level struct {
	value float64
	text  string
}

// valueAxis finds round values for about five lines, and widens the span so that
// nothing touches the frame. Without a span it is one round about the value.
func valueAxis(low, high float64) (rows []level, from, to float64) {
	if !(low <= high) {
		low, high = 0, 1
	}
	room := (high - low) * 0.05
	// Neighbouring numbers hold no line between them: at least 2^-40 of the value.
	if least := math.Max(math.Abs(low), math.Abs(high)) * 0x1p-40; !(room > least) {
		room = math.Max(least, math.SmallestNonzeroFloat64*0x1p60)
		if low == 0 && high == 0 {
			room = 1
		}
	}
	from, to = low-room, high+room
	step := roundUp((to - from) / 6)
	decimals := 0
	if step < 1 {
		decimals = int(math.Ceil(-math.Log10(step) - 1e-9))
	}
	for k := math.Ceil(from / step); k*step <= to; k++ {
		v := k * step
		text := strconv.FormatFloat(v+0, 'f', decimals, 64)
		if decimals > 6 || math.Abs(v) >= 1e7 {
			text = strconv.FormatFloat(v+0, 'g', 5, 64)
		}
		rows = append(rows, level{v, text})
	}
	return rows, from, to
}

// roundUp is the next 1, 2 or 5 times a power of ten.
func roundUp(v float64) float64 {
	power := math.Pow(10, math.Floor(math.Log10(v)))
	for _, m := range []float64{1, 2, 5} {
		if v <= m*power {
			return m * power
		}
	}
	return 10 * power
}

// mark is a line down all panels.
type mark struct {
	at   int // pixels from the left end
	text string
}

// most is how many marks of time have room for their texts.
const most = 8

// timeAxis finds round times for at most that many marks, and says which zone they
// are in and where the axis begins.
func timeAxis(from, to int64) (marks []mark, caption string) {
	begin := time.Unix(0, from).UTC()
	caption = "UTC, from " + begin.Format("2006-01-02 15:04:05.000")
	if to <= from {
		return nil, caption
	}
	span := float64(to) - float64(from)
	step := roundTime(span / most)
	form := "15:04"
	switch {
	case step >= 24*time.Hour:
		form = "01-02"
	case step < time.Second:
		form = "05.000"
		if step < time.Millisecond {
			form = "05.000000000"
		}
	case step < time.Minute:
		form = "15:04:05"
	}
	end := time.Unix(0, to).UTC()
	for t := begin.Truncate(step); !t.After(end); t = t.Add(step) {
		if t.Before(begin) {
			continue
		}
		part := (float64(t.UnixNano()) - float64(from)) / span
		text := t.Format(form)
		if step < 24*time.Hour && step >= time.Second && t.Equal(t.Truncate(24*time.Hour)) {
			text = t.Format("01-02")
		}
		marks = append(marks, mark{int(part * (Width - 1)), text})
	}
	return marks, caption
}

// roundTime is the next step of time that people count in, at least so many ns.
func roundTime(ns float64) time.Duration {
	const day = 24 * time.Hour
	for _, d := range []time.Duration{time.Second, 2 * time.Second, 5 * time.Second, 10 * time.Second, 15 * time.Second, 30 * time.Second,
		time.Minute, 2 * time.Minute, 5 * time.Minute, 10 * time.Minute, 15 * time.Minute, 30 * time.Minute,
		time.Hour, 2 * time.Hour, 3 * time.Hour, 6 * time.Hour, 12 * time.Hour, day, 2 * day, 7 * day, 14 * day, 28 * day} {
		if ns <= float64(d) {
			if d == time.Second {
				return max(time.Duration(math.Min(roundUp(math.Max(ns, 1)), 1e9)), 1)
			}
			return d
		}
	}
	return time.Duration(math.Min(roundUp(ns/float64(28*day)), 1e3)) * 28 * day
}
