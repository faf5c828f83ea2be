package group

import (
	"encoding/json"
	"fmt"
	"math"
	"strconv"
)

// Real is a float64 whose JSON may be an infinity or not a number, as text, and
// which comes back from it bit for bit.
type Real float64

// MarshalJSON writes the shortest exact number, or "NaN", "+Inf", "-Inf".
func (r Real) MarshalJSON() ([]byte, error) {
	v := float64(r)
	if math.IsInf(v, 0) || math.IsNaN(v) {
		return json.Marshal(strconv.FormatFloat(v, 'g', -1, 64))
	}
	return json.Marshal(v)
}

// UnmarshalJSON reads what MarshalJSON writes.
func (r *Real) UnmarshalJSON(text []byte) error {
	var v float64
	if len(text) > 0 && text[0] == '"' {
		var s string
		if err := json.Unmarshal(text, &s); err != nil {
			return err
		}
		switch s {
		case "NaN":
			v = math.NaN()
		case "+Inf":
			v = math.Inf(1)
		case "-Inf":
			v = math.Inf(-1)
		default:
			return fmt.Errorf("%q is not a number", s)
		}
	} else if err := json.Unmarshal(text, &v); err != nil {
		return err
	}
	*r = Real(v)
	return nil
}
