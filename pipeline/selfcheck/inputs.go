package selfcheck

import (
	"errors"
	"fmt"

	"glueline/pipeline/printable"
)

// inputs is an object of a case's inputs. It remembers which of its keys were
// asked for, so that a key nobody knows is found, and it collects everything
// that is wrong, so that a reader can take all values first and look once.
type inputs struct {
	path string
	value
	used  map[string]bool
	child map[string]*inputs
	fault *faults
}

type faults struct {
	list   []error
	opened []*inputs
}

func newInputs(path string, v value) *inputs {
	return (&faults{}).open(path, v)
}

func (f *faults) open(path string, v value) *inputs {
	in := &inputs{path: path, value: v, used: map[string]bool{}, child: map[string]*inputs{}, fault: f}
	if v.kind != isObject {
		f.add("%s is %s, not an object", path, v.kind)
	}
	f.opened = append(f.opened, in)
	return in
}

func (f *faults) add(format string, args ...any) {
	f.list = append(f.list, fmt.Errorf(format, args...))
}

// err ends the reading: it returns all faults, unknown keys among them.
func (in *inputs) err() error {
	f := in.fault
	for _, o := range f.opened {
		for _, m := range o.members {
			if !o.used[m.key] {
				f.add("unknown key %s.%s", o.path, printable.Text(m.key))
			}
		}
	}
	f.opened = nil
	return errors.Join(f.list...)
}

func (in *inputs) has(key string) bool {
	_, ok := in.get(key)
	return ok
}

// take marks the key as known and returns its value.
func (in *inputs) take(key string) (value, bool) {
	in.used[key] = true
	v, ok := in.get(key)
	if !ok {
		in.fault.add("%s.%s is missing", in.path, key)
	}
	return v, ok
}

// number is a required finite number.
func (in *inputs) number(key string) float64 {
	v, ok := in.take(key)
	if !ok {
		return 0
	}
	x, err := v.number()
	if err != nil {
		in.fault.add("%s.%s %w", in.path, key, err)
		return 0
	}
	return x
}

// positive is a required number above zero.
func (in *inputs) positive(key string) float64 {
	x := in.number(key)
	if _, ok := in.get(key); ok && !(x > 0) {
		in.fault.add("%s.%s has to be above zero", in.path, key)
	}
	return x
}

// notNegative is a required number of at least zero.
func (in *inputs) notNegative(key string) float64 {
	x := in.number(key)
	if x < 0 {
		in.fault.add("%s.%s is negative", in.path, key)
	}
	return x
}

// whole is a required whole number between low and high.
func (in *inputs) whole(key string, low, high int) int {
	x := in.number(key)
	if _, ok := in.get(key); ok && (x != float64(int(x)) || x < float64(low) || x > float64(high)) {
		in.fault.add("%s.%s has to be a whole number from %d to %d", in.path, key, low, high)
		return low
	}
	return int(x)
}

// string is a required text.
func (in *inputs) string(key string) string {
	v, ok := in.take(key)
	if ok && v.kind != isText {
		in.fault.add("%s.%s is %s, not a text", in.path, key, v.kind)
	}
	return v.text
}

// bool is a required true or false.
func (in *inputs) bool(key string) bool {
	v, ok := in.take(key)
	if ok && v.kind != isBool {
		in.fault.add("%s.%s is %s, not true or false", in.path, key, v.kind)
	}
	return v.text == "true"
}

// numbers is a required list of finite numbers of any length.
func (in *inputs) numbers(key string) []float64 {
	v, ok := in.take(key)
	if !ok {
		return nil
	}
	if v.kind != isList {
		in.fault.add("%s.%s is %s, not a list", in.path, key, v.kind)
	}
	out := make([]float64, len(v.items))
	for i, item := range v.items {
		var err error
		if out[i], err = item.number(); err != nil {
			in.fault.add("%s.%s[%d] %w", in.path, key, i, err)
			return out
		}
	}
	return out
}

// object is a required object; asking again gives the same one.
func (in *inputs) object(key string) *inputs {
	if in.child[key] == nil {
		v, ok := in.take(key)
		if !ok {
			v.kind = isObject // missing has been said already
		}
		in.child[key] = in.fault.open(in.path+"."+key, v)
	}
	return in.child[key]
}

// objects is a required list of objects.
func (in *inputs) objects(key string) []*inputs {
	v, ok := in.take(key)
	if ok && v.kind != isList {
		in.fault.add("%s.%s is %s, not a list", in.path, key, v.kind)
	}
	var out []*inputs
	for i, item := range v.items {
		out = append(out, in.fault.open(fmt.Sprintf("%s.%s[%d]", in.path, key, i), item))
	}
	return out
}
