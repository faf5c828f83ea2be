package main

import (
	"strings"
	"testing"
)

// Prefixes of IEC 80000-13:2008: k is 1,000 and Ki 1,024.
func TestSizes(t *testing.T) {
	for text, want := range map[string]dataSize{
		"8589934592": 8 << 30, "8GiB": 8 << 30, "8 gib": 8 << 30, "20KB": 20_000, "1.5 MiB": 3 << 19, "500MB": 500_000_000, "-3": -3, " 7B ": 7,
	} {
		var s dataSize
		if err := s.UnmarshalText([]byte(text)); err != nil || s != want {
			t.Errorf("%q: %d, %v; want %d", text, s, err, want)
		}
	}
	for _, text := range []string{"", "GiB", "8 bananas", "1e", "NaN", "Inf", "9e30", "0x10", "1 2", "8GiB8"} {
		var s dataSize
		if err := s.UnmarshalText([]byte(text)); err == nil || !strings.Contains(err.Error(), "write for example 8GiB") {
			t.Errorf("%q: %d, %v; want a refusal that says what would be right", text, s, err)
		}
	}
}
