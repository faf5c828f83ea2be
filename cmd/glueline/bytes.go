package main

import (
	"fmt"
	"strconv"
	"strings"
)

// dataSize is a number of bytes, written with or without a unit.
type dataSize int64

// bytesOf are the units of a size, decimal and binary ones (IEC 80000-13).
var bytesOf = map[string]float64{
	"": 1, "b": 1, "kb": 1e3, "mb": 1e6, "gb": 1e9, "tb": 1e12,
	"kib": 1 << 10, "mib": 1 << 20, "gib": 1 << 30, "tib": 1 << 40,
}

// UnmarshalText reads for example 8589934592, 8GiB or "500 MB".
func (s *dataSize) UnmarshalText(text []byte) error {
	word := strings.TrimSpace(string(text))
	digits := strings.TrimRight(word, "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ ")
	unit, known := bytesOf[strings.ToLower(strings.TrimSpace(word[len(digits):]))]
	number, err := strconv.ParseFloat(digits, 64)
	if err != nil || !known || !(number*unit >= -1<<62 && number*unit <= 1<<62) {
		return fmt.Errorf("%q is no number of bytes; write for example 8GiB, 500MB or 8589934592", word)
	}
	*s = dataSize(number * unit)
	return nil
}
