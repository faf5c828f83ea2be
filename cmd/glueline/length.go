package main

import (
	"fmt"
	"reflect"
	"time"

	"github.com/alecthomas/kong"
)

// lengthsOfTime has every flag that is a length of time read the same way: with
// its unit, and not below zero. A value that looks like a flag is none.
func lengthsOfTime() kong.Option {
	return kong.TypeMapper(reflect.TypeFor[time.Duration](), kong.MapperFunc(func(c *kong.DecodeContext, target reflect.Value) error {
		token := c.Scan.Pop()
		if token.IsEOL() {
			return fmt.Errorf("a length of time is missing; write for example --%s 30s", c.Value.Name)
		}
		text := fmt.Sprint(token.Value)
		if token.Type == kong.FlagToken {
			text = "--" + text
		} else if token.Type == kong.ShortFlagToken {
			text = "-" + text
		}
		d, err := time.ParseDuration(text)
		if err != nil || d < 0 {
			return fmt.Errorf("%q is no length of time; write for example 30s, 2.5s or 10m", text)
		}
		target.SetInt(int64(d))
		return nil
	}))
}

// age is how long ago something was, for people; nothing may be ahead of now by
// more than a clock's wobble, which whoever asks finds out first.
func age(d time.Duration) string {
	d = max(d, 0)
	two := func(large time.Duration, largeUnit string, small time.Duration, smallUnit string) string {
		d = d.Round(small)
		if rest := d % large / small; rest > 0 {
			return fmt.Sprintf("%d %s %d %s", d/large, largeUnit, rest, smallUnit)
		}
		return fmt.Sprintf("%d %s", d/large, largeUnit)
	}
	switch {
	case d < 10*time.Second:
		return fmt.Sprintf("%.1f s", d.Seconds())
	case d < 2*time.Minute:
		return fmt.Sprintf("%.0f s", d.Seconds())
	case d < time.Hour:
		return two(time.Minute, "min", time.Second, "s")
	case d < 72*time.Hour:
		return two(time.Hour, "h", time.Minute, "min")
	}
	return fmt.Sprintf("%.0f days", d.Hours()/24)
}

// someTime refuses a length of nothing where there must be one.
func someTime(flag string, d time.Duration) error {
	if d <= 0 {
		return fmt.Errorf("%s %s is no time at all; write for example %s 30s", flag, d, flag)
	}
	return nil
}
