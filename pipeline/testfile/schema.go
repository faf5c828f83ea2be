package testfile

import (
	"bytes"
	"encoding/json"
	"fmt"
	"reflect"
	"strings"
)

// Schema returns a JSON Schema (draft 2020-12) of a test file, made from the Go
// types, for completion and hints in editors. It knows keys, words and kinds of
// values; units, references and cross checks are Parse's.
func Schema() ([]byte, error) {
	s := schemas{defs: map[string]any{}}
	top := s.object(reflect.TypeFor[Test]())
	top["$schema"] = "https://json-schema.org/draft/2020-12/schema"
	top["title"] = "Glueline test file"
	top["$defs"] = s.defs
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	e.SetIndent("", "  ")
	if err := e.Encode(top); err != nil {
		return nil, fmt.Errorf("encode the schema: %w", err)
	}
	return b.Bytes(), nil
}

// schemas collects one definition a Go type.
type schemas struct{ defs map[string]any }

func (s schemas) object(t reflect.Type) map[string]any {
	properties, needed := map[string]any{}, []string{}
	for _, f := range fieldsOf(t) {
		p := s.value(t.Field(f.index).Type, f.tag)
		if doc := describe(f.tag); doc != "" {
			p["description"] = doc
		}
		properties[f.key] = p
		if f.tag.Get("need") == "yes" {
			needed = append(needed, f.key)
		}
	}
	o := map[string]any{"type": "object", "properties": properties, "additionalProperties": false}
	if len(needed) > 0 {
		o["required"] = needed
	}
	return o
}

func (s schemas) value(t reflect.Type, tag reflect.StructTag) map[string]any {
	switch t {
	case reflect.TypeFor[Word]():
		if choice := tag.Get("enum"); choice != "" {
			return map[string]any{"enum": strings.Split(choice, ",")}
		}
		// An editor takes 010 for a number and yes for a truth value; here they are names.
		return map[string]any{"type": []string{"string", "number", "boolean"}}
	case reflect.TypeFor[Flag]():
		return map[string]any{"enum": []any{"yes", "no", true, false}} // yes is true to editors of YAML 1.1
	case reflect.TypeFor[Time]():
		return map[string]any{"type": "string", "examples": []string{"2026-05-04T06:00:00Z"}}
	case reflect.TypeFor[Quantity]():
		return quantitySchema(tag.Get("unit"))
	}
	switch {
	case reflect.PointerTo(t).Implements(reflect.TypeFor[named]()):
		entries, _ := t.FieldByName("Entries")
		item, _ := entries.Type.Elem().FieldByName("Value")
		return map[string]any{"type": "object", "additionalProperties": s.value(item.Type, "")}
	case t.Kind() == reflect.Slice:
		return map[string]any{"type": "array", "items": s.value(t.Elem(), tag)}
	default:
		name := strings.ToLower(t.Name())
		if _, known := s.defs[name]; !known {
			s.defs[name] = nil // no type holds itself, but a name is taken once
			s.defs[name] = s.object(t)
		}
		return map[string]any{"$ref": "#/$defs/" + name}
	}
}

func quantitySchema(unit string) map[string]any {
	types, examples := []string{"string"}, []string{}
	for _, d := range alternatives(unit) {
		examples = append(examples, d.example)
		if d.plain {
			types = []string{"string", "number"}
		}
	}
	return map[string]any{"type": types, "examples": examples}
}

// describe joins what a key means and what may be written.
func describe(tag reflect.StructTag) string {
	var parts []string
	if doc := tag.Get("doc"); doc != "" {
		parts = append(parts, doc)
	}
	if allowed := alternatives(tag.Get("unit")); len(allowed) > 0 {
		parts = append(parts, kinds(allowed)+", "+example(allowed))
	}
	return strings.Join(parts, "; ")
}
