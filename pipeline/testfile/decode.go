package testfile

import (
	"fmt"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"go.yaml.in/yaml/v3"
)

// decoder walks a document and the Go types together, and keeps every mistake.
// A thing that was written but is wrong keeps its Mark and stays not Given, so
// that later checks neither use it nor call it missing.
type decoder struct {
	file     string
	zone     *time.Location
	problems Problems
	lists    map[string]Mark // keys of lists by path, right or wrong

	wiringUnread bool // wiring was written that could not be read
}

func (d *decoder) report(m Mark, path, found, want string) {
	d.problems = append(d.problems, Problem{m, path, found, want})
}

func (d *decoder) mark(n *yaml.Node) Mark { return Mark{d.file, n.Line, n.Column} }

// named is a *Named of any type.
type named interface {
	grow(name string, m Mark) (value reflect.Value, fresh bool)
	written(m Mark)
	damage()
}

// grow appends an entry, or makes one that nobody sees when the name exists.
func (n *Named[T]) grow(name string, m Mark) (reflect.Value, bool) {
	if _, ok := n.index[name]; ok {
		return reflect.New(reflect.TypeFor[T]()).Elem(), false
	}
	if n.index == nil {
		n.index = map[string]int{}
	}
	n.index[name] = len(n.Entries)
	n.Entries = append(n.Entries, Entry[T]{Name: name, Mark: m})
	return reflect.ValueOf(&n.Entries[len(n.Entries)-1].Value).Elem(), true
}

func (n *Named[T]) written(m Mark) { n.Mark = m }
func (n *Named[T]) damage()        { n.partial = true }

// value reads a node into v. key is where the node's key stands, or the node
// itself in a list; tag is that of the struct field.
func (d *decoder) value(v reflect.Value, n *yaml.Node, key Mark, path string, tag reflect.StructTag) {
	if n.Kind == yaml.AliasNode || n.Style&yaml.TaggedStyle != 0 { // reported by plain
		d.damage(v, key, path)
		return
	}
	switch p := v.Addr().Interface().(type) {
	case *Word:
		p.Mark = d.mark(n)
		if d.scalar(n, key, path, "a word or text") {
			d.word(p, n, path, tag)
		}
	case *Flag:
		p.Mark = d.mark(n)
		if d.scalar(n, key, path, "yes or no") {
			p.Value, p.Given = n.Value == "yes", n.Value == "yes" || n.Value == "no"
			if !p.Given {
				d.report(p.Mark, path, quote(n.Value), "yes or no")
			}
		}
	case *Time:
		p.Mark = d.mark(n)
		if d.scalar(n, key, path, "a date and time, "+timeExample) {
			at, ref := parseTime(n.Value, d.zone)
			if p.Time, p.Given = at, ref == nil; ref != nil {
				d.report(p.Mark, path, ref.found, ref.want)
			}
		}
	case *Quantity:
		p.Mark = d.mark(n)
		allowed := alternatives(tag.Get("unit"))
		if d.scalar(n, key, path, kinds(allowed)+", "+example(allowed)) {
			q, ref := parseQuantity(n.Value, tag.Get("unit"), tag.Get("range"))
			if ref != nil {
				d.report(p.Mark, path, ref.found, ref.want)
			}
			q.Mark = p.Mark
			*p = q
		}
	case named:
		p.written(key)
		if !d.is(yaml.MappingNode, n, key, path) {
			p.damage()
			return
		}
		d.entries(p, n, path)
	default:
		switch v.Kind() {
		case reflect.Slice:
			d.noteList(path, key)
			if d.is(yaml.SequenceNode, n, key, path) {
				d.list(v, n, path, tag)
			}
		case reflect.Struct:
			setPlace(v, key)
			if d.is(yaml.MappingNode, n, key, path) {
				d.mapping(v, n, key, path)
			}
		}
	}
}

// damage marks v as written though it cannot be read.
func (d *decoder) damage(v reflect.Value, at Mark, path string) {
	switch p := v.Addr().Interface().(type) {
	case *Word:
		p.Mark = at
	case *Flag:
		p.Mark = at
	case *Time:
		p.Mark = at
	case *Quantity:
		p.Mark = at
	case named:
		p.written(at)
		p.damage()
	default:
		switch v.Kind() {
		case reflect.Slice:
			d.noteList(path, at)
		case reflect.Struct:
			setPlace(v, at)
		}
	}
}

func (d *decoder) noteList(path string, at Mark) {
	if d.lists == nil {
		d.lists = map[string]Mark{}
	}
	d.lists[path] = at
}

// setPlace fills Mark and Given of the structs that have them.
func setPlace(v reflect.Value, m Mark) {
	if f := v.FieldByName("Mark"); f.IsValid() {
		f.Set(reflect.ValueOf(m))
	}
	if f := v.FieldByName("Given"); f.IsValid() {
		f.SetBool(true)
	}
}

// scalar says whether n is a single value with something in it.
func (d *decoder) scalar(n *yaml.Node, key Mark, path, want string) bool {
	switch {
	case n.Kind != yaml.ScalarNode:
		d.report(d.mark(n), path, kindOf(n), want)
	case strings.TrimSpace(n.Value) == "" && n.Style&(yaml.SingleQuotedStyle|yaml.DoubleQuotedStyle) == 0:
		d.report(key, path, "nothing", want)
	case strings.TrimSpace(n.Value) == "":
		d.report(d.mark(n), path, "an empty text", want)
	default:
		return true
	}
	return false
}

func (d *decoder) is(kind yaml.Kind, n *yaml.Node, key Mark, path string) bool {
	if n.Kind == kind {
		return true
	}
	want := map[yaml.Kind]string{
		yaml.MappingNode:  "a mapping: a key and a colon on each line",
		yaml.SequenceNode: "a list: [a, b] or a dash on each line",
	}[kind]
	at := d.mark(n)
	if isNothing(n) {
		at = key
	}
	d.report(at, path, kindOf(n), want)
	return false
}

func isNothing(n *yaml.Node) bool {
	return n.Kind == yaml.ScalarNode && n.Value == "" && n.Style&(yaml.SingleQuotedStyle|yaml.DoubleQuotedStyle) == 0
}

func kindOf(n *yaml.Node) string {
	switch {
	case n.Kind == yaml.MappingNode:
		return "a mapping"
	case n.Kind == yaml.SequenceNode:
		return "a list"
	case isNothing(n):
		return "nothing"
	default:
		return quote(n.Value)
	}
}

func (d *decoder) word(w *Word, n *yaml.Node, path string, tag reflect.StructTag) {
	text := strings.TrimSpace(n.Value)
	if choice := tag.Get("enum"); choice != "" {
		words := strings.Split(choice, ",")
		if !slices.Contains(words, text) {
			d.report(w.Mark, path, quote(text), oneOf(text, words))
			return
		}
	}
	w.Text = text
}

// oneOf lists what may be written, the likeliest first.
func oneOf(found string, words []string) string {
	if len(words) == 0 {
		return "one that the file defines; it defines none"
	}
	const most = 12
	list := strings.Join(words[:min(len(words), most)], ", ")
	if len(words) > most {
		list += ", …"
	}
	if near := nearest(found, words); near != "" {
		return fmt.Sprintf("%s (one of %s)", near, list)
	}
	return "one of " + list
}

func (d *decoder) list(v reflect.Value, n *yaml.Node, path string, tag reflect.StructTag) {
	v.Set(reflect.MakeSlice(v.Type(), len(n.Content), len(n.Content)))
	for i, item := range n.Content {
		d.value(v.Index(i), item, d.mark(item), path+"."+strconv.Itoa(i+1), tag)
	}
}

// entries reads a mapping whose keys are names of the user's own.
func (d *decoder) entries(to named, n *yaml.Node, path string) {
	first := map[string]int{}
	for i := 0; i+1 < len(n.Content); i += 2 {
		key, item := n.Content[i], n.Content[i+1]
		at := d.mark(key)
		if !d.isKey(key, path) {
			to.damage()
			continue
		}
		name := strings.TrimSpace(key.Value)
		if wrong := badName(name); wrong != "" {
			d.report(at, path, wrong, goodName)
		}
		value, fresh := to.grow(name, at)
		if !fresh {
			d.report(at, path+"."+name, fmt.Sprintf("the name %s again, first in line %d", quote(name), first[name]), "each name once")
		} else {
			first[name] = at.Line
		}
		d.value(value, item, at, path+"."+name, "")
	}
}

// longestName is how many bytes a name may have: it stands in the name of a column
// with its unit, and in every table.
const longestName = 64

// goodName is what badName wants.
var goodName = fmt.Sprintf("a name of at most %d bytes: letters, digits, blanks and signs other than / [ ] \" and commas", longestName)

// badName says what is wrong with a name that becomes a column and part of
// references.
func badName(name string) string {
	switch {
	case name == "":
		return "an empty name"
	case len(name) > longestName:
		return fmt.Sprintf("a name of %d bytes", len(name))
	case strings.ContainsAny(name, "/[]\",") || strings.ContainsFunc(name, func(r rune) bool { return r < ' ' || r == 0x7f }):
		return quote(name)
	}
	return ""
}

func (d *decoder) isKey(key *yaml.Node, path string) bool {
	switch {
	case isMerge(key) || key.Kind == yaml.AliasNode || key.Style&yaml.TaggedStyle != 0: // reported by plain
		return false
	case key.Kind != yaml.ScalarNode:
		d.report(d.mark(key), path, kindOf(key)+" as a key", "a word")
		return false
	}
	return true
}

func isMerge(key *yaml.Node) bool { return key.Tag == "!!merge" }

// mapping reads a mapping with keys of ours into a struct.
func (d *decoder) mapping(v reflect.Value, n *yaml.Node, at Mark, path string) {
	fields := fieldsOf(v.Type())
	present := map[string]bool{}
	for i := 0; i+1 < len(n.Content); i += 2 {
		present[n.Content[i].Value] = true
	}
	var absent []string // a misspelt key is one of these
	for _, f := range fields {
		if !present[f.key] {
			absent = append(absent, f.key)
		}
	}
	seen := map[string]int{}
	for i := 0; i+1 < len(n.Content); i += 2 {
		key, item := n.Content[i], n.Content[i+1]
		if !d.isKey(key, path) {
			continue
		}
		k := slices.IndexFunc(fields, func(f field) bool { return f.key == key.Value })
		if k < 0 {
			near := nearest(key.Value, absent)
			d.unknown(key, near, fields, path)
			if near == "" || seen[near] > 0 {
				continue
			}
			// Read on under the name that was meant, so that one wrong letter is
			// one problem and what is below it is checked too.
			k = slices.IndexFunc(fields, func(f field) bool { return f.key == near })
		}
		f := fields[k]
		target := v.Field(f.index)
		if line := seen[f.key]; line > 0 {
			d.report(d.mark(key), dotted(path, f.key), fmt.Sprintf("the key %s again, first in line %d", quote(f.key), line), "each key once")
			if _, ok := target.Addr().Interface().(named); !ok {
				target = reflect.New(target.Type()).Elem()
			}
		} else {
			seen[f.key] = key.Line
		}
		d.value(target, item, d.mark(key), dotted(path, f.key), f.tag)
	}
	for _, f := range fields {
		if f.tag.Get("need") == "yes" && seen[f.key] == 0 {
			d.report(at, dotted(path, f.key), "no "+f.key, needed(f))
		}
	}
}

func needed(f field) string {
	s := `"` + f.key + `: …"`
	if choice := f.tag.Get("enum"); choice != "" {
		words := strings.Split(choice, ",")
		s = `"` + f.key + ": " + words[0] + `" (` + oneOf("", words) + ")"
	} else if allowed := alternatives(f.tag.Get("unit")); len(allowed) > 0 {
		s = `"` + f.key + ": " + allowed[0].example + `"`
	}
	if doc := f.tag.Get("doc"); doc != "" {
		s += ", " + doc
	}
	return s
}

func (d *decoder) unknown(key *yaml.Node, near string, fields []field, path string) {
	want := quote(near)
	if near == "" {
		keys := make([]string, len(fields))
		for i, f := range fields {
			keys[i] = f.key
		}
		want = oneOf(key.Value, keys)
	}
	d.report(d.mark(key), dotted(path, key.Value), "the unknown key "+quote(key.Value), want)
}

func dotted(path, key string) string {
	if path == "" {
		return key
	}
	return path + "." + key
}

// field is a key of a struct.
type field struct {
	key   string
	index int
	tag   reflect.StructTag
}

var fieldCache sync.Map // reflect.Type to []field

func fieldsOf(t reflect.Type) []field {
	if known, ok := fieldCache.Load(t); ok {
		return known.([]field)
	}
	var fields []field
	for i := range t.NumField() {
		f := t.Field(i)
		if key := f.Tag.Get("yaml"); key != "" && key != "-" {
			fields = append(fields, field{key, i, f.Tag})
		}
	}
	fieldCache.Store(t, fields)
	return fields
}

// plain reports what YAML has and a test file has not: anchors, aliases, merge
// keys and tags make a value depend on another place in the file.
func (d *decoder) plain(n *yaml.Node, depth int) {
	const deepest = 32
	if depth > deepest {
		d.report(d.mark(n), "", fmt.Sprintf("nesting deeper than %d", deepest), "a test file, which is never that deep")
		return
	}
	switch {
	case n.Kind == yaml.AliasNode:
		d.report(d.mark(n), "", "the alias "+quote("*"+n.Value), "the value itself; each value stands where it is used")
		return // its target is elsewhere in the tree
	case isMerge(n):
		d.report(d.mark(n), "", "the merge key <<", "the keys themselves")
	case n.Anchor != "":
		d.report(d.mark(n), "", "the anchor "+quote("&"+n.Anchor), "the value without it")
	case n.Style&yaml.TaggedStyle != 0:
		d.report(d.mark(n), "", "the tag "+quote(n.Tag), "the value without it; every value is read as written")
	}
	for _, c := range n.Content {
		d.plain(c, depth+1)
	}
}
