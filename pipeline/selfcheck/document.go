package selfcheck

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"unicode/utf8"
)

// Limits on one case file, so that a hostile or mistaken one ends in an error
// and not in memory.
const (
	MaxBytes  = 64 << 20
	maxValues = 1 << 18
	maxDepth  = 32
)

// ErrDocument occurs when a file is not one well-formed JSON document within
// the limits. Nothing of such a file is run.
var ErrDocument = errors.New("not a case file")

// value is a piece of a JSON document. The standard decoder into structs is not
// used because it matches keys whatever their case, lets the last of two equal
// keys win and cannot say which keys nobody asked for.
type value struct {
	kind    valueKind
	text    string // of a string or a number; "true" or "false"
	members []member
	items   []value
	line    int
}

type member struct {
	key string
	value
}

type valueKind uint8

const (
	isNull valueKind = iota
	isBool
	isNumber
	isText
	isList
	isObject
)

func (k valueKind) String() string {
	return [...]string{"null", "true or false", "a number", "a text", "a list", "an object"}[k]
}

// get returns the member called key.
func (v value) get(key string) (value, bool) {
	for _, m := range v.members {
		if m.key == key {
			return m.value, true
		}
	}
	return value{}, false
}

// number returns a finite number.
func (v value) number() (float64, error) {
	if v.kind != isNumber {
		return math.NaN(), fmt.Errorf("is %s, not a number", v.kind)
	}
	x, err := strconv.ParseFloat(v.text, 64)
	if err != nil || math.IsInf(x, 0) || math.IsNaN(x) {
		return math.NaN(), fmt.Errorf("%s is out of range", v.text)
	}
	return x, nil
}

// parse reads one JSON document.
func parse(r io.Reader) (value, error) {
	data, err := io.ReadAll(io.LimitReader(r, MaxBytes+1))
	switch {
	case err != nil:
		return value{}, fmt.Errorf("read: %w", err)
	case len(data) > MaxBytes:
		return value{}, fmt.Errorf("%w: larger than %d MiB", ErrDocument, MaxBytes>>20)
	case len(bytes.TrimSpace(data)) == 0:
		return value{}, fmt.Errorf("%w: empty", ErrDocument)
	case !utf8.Valid(data):
		return value{}, fmt.Errorf("%w: text is not UTF-8", ErrDocument)
	}
	data = bytes.TrimPrefix(data, []byte("\ufeff"))
	p := parser{data: data, line: 1}
	p.json = json.NewDecoder(bytes.NewReader(data))
	p.json.UseNumber()
	v, err := p.next(0)
	if err == nil {
		if _, more := p.json.Token(); !errors.Is(more, io.EOF) {
			err = errors.New("more text after the end of the document")
		}
	}
	if err != nil {
		if errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
			err = errors.New("the text ends too early")
		}
		return value{}, fmt.Errorf("%w: line %d: %w", ErrDocument, p.here(), err)
	}
	return v, nil
}

type parser struct {
	json   *json.Decoder
	data   []byte
	seen   int // bytes of data whose lines are counted
	line   int
	values int
}

func (p *parser) here() int {
	to := min(int(p.json.InputOffset()), len(p.data))
	p.line += bytes.Count(p.data[p.seen:to], []byte("\n"))
	p.seen = to
	return p.line
}

func (p *parser) next(depth int) (value, error) {
	token, err := p.json.Token()
	if err != nil {
		return value{}, err
	}
	if p.values++; p.values > maxValues {
		return value{}, fmt.Errorf("more than %d values", maxValues)
	}
	v := value{line: p.here()}
	switch t := token.(type) {
	case nil:
	case bool:
		v.kind, v.text = isBool, strconv.FormatBool(t)
	case json.Number:
		v.kind, v.text = isNumber, t.String()
	case string:
		v.kind, v.text = isText, t
	case json.Delim:
		if depth == maxDepth {
			return value{}, fmt.Errorf("nested deeper than %d", maxDepth)
		}
		if t == '[' {
			v.kind = isList
			err = p.list(&v, depth+1)
		} else {
			v.kind = isObject
			err = p.object(&v, depth+1)
		}
	}
	return v, err
}

func (p *parser) list(v *value, depth int) error {
	for p.json.More() {
		item, err := p.next(depth)
		if err != nil {
			return err
		}
		v.items = append(v.items, item)
	}
	_, err := p.json.Token()
	return err
}

func (p *parser) object(v *value, depth int) error {
	seen := map[string]bool{}
	for p.json.More() {
		token, err := p.json.Token()
		if err != nil {
			return err
		}
		key, ok := token.(string)
		if !ok {
			return fmt.Errorf("%v where a key belongs", token)
		}
		if seen[key] {
			return fmt.Errorf("the key %q is there twice", key)
		}
		seen[key] = true
		item, err := p.next(depth)
		if err != nil {
			return err
		}
		v.members = append(v.members, member{key, item})
	}
	_, err := p.json.Token()
	return err
}
