package testfile

import (
	"bytes"
	"encoding/json"
	"fmt"
	"strings"
	"testing"

	"github.com/santhosh-tekuri/jsonschema/v6"
	"go.yaml.in/yaml/v3"
)

const schemaFile = "../../deploy/testfile.schema.json"

func TestSchemaIsFresh(t *testing.T) {
	got, err := Schema()
	if err != nil {
		t.Fatal(err)
	}
	compareGolden(t, schemaFile, string(got))
}

func compiled(t *testing.T) *jsonschema.Schema {
	t.Helper()
	text, err := Schema()
	if err != nil {
		t.Fatal(err)
	}
	document, err := jsonschema.UnmarshalJSON(bytes.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	c := jsonschema.NewCompiler()
	c.DefaultDraft(jsonschema.Draft2020)
	if err := c.AddResource("testfile.json", document); err != nil {
		t.Fatal(err)
	}
	s, err := c.Compile("testfile.json")
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// An editor sees the good file as right, and what a schema can know as wrong.
func TestSchemaAgainstFiles(t *testing.T) {
	s := compiled(t)
	good := goodText(t)
	if err := s.Validate(asEditor(t, good)); err != nil {
		t.Errorf("good file: %v", err)
	}
	for _, c := range []struct{ old, new string }{
		{"  article: main", "  artcle: main"},
		{"    family: steel", "    family: steal"},
		{"    resistance: 120 ohm\n", ""},
		{"    resistance: 120 ohm\n", "    resistance: 120\n"},
		{"    grids: [ra, rb, rc]", "    grids: ra"},
		{"      linearised: no", "      linearised: maybe"},
		{"    leads: {resistance: 1 ohm}", "    leads: 1 ohm"},
		{"{raw: 8.51, value: 400}", "{raw: 8.51}"},
	} {
		if strings.Count(good, c.old) != 1 {
			t.Fatalf("%q is not once in the good file", c.old)
		}
		if s.Validate(asEditor(t, strings.Replace(good, c.old, c.new, 1))) == nil {
			t.Errorf("%q passes the schema", c.new)
		}
	}
}

// asEditor reads YAML as JSON values, as editors do: plain scalars by their look,
// times as text.
func asEditor(t *testing.T, text string) any {
	t.Helper()
	var root yaml.Node
	if err := yaml.Unmarshal([]byte(text), &root); err != nil {
		t.Fatal(err)
	}
	v, err := jsonValue(root.Content[0])
	if err != nil {
		t.Fatal(err)
	}
	return v
}

func jsonValue(n *yaml.Node) (any, error) {
	switch n.Kind {
	case yaml.MappingNode:
		m := map[string]any{}
		for i := 0; i+1 < len(n.Content); i += 2 {
			v, err := jsonValue(n.Content[i+1])
			if err != nil {
				return nil, err
			}
			m[n.Content[i].Value] = v
		}
		return m, nil
	case yaml.SequenceNode:
		list := []any{}
		for _, c := range n.Content {
			v, err := jsonValue(c)
			if err != nil {
				return nil, err
			}
			list = append(list, v)
		}
		return list, nil
	case yaml.ScalarNode:
		switch n.Tag {
		case "!!int", "!!float":
			return json.Number(n.Value), nil
		case "!!bool":
			return n.Value == "true", nil
		}
		return n.Value, nil
	}
	return nil, fmt.Errorf("a node of kind %d", n.Kind)
}

// Every key is described or is plain by its name, so that an editor's hint says
// something; and every unit tag names dimensions that exist.
func TestTagsAreKnown(t *testing.T) {
	text, err := Schema()
	if err != nil {
		t.Fatal(err)
	}
	var schema struct {
		Defs map[string]struct {
			Properties map[string]struct {
				Description string
				Ref         string `json:"$ref"`
			}
		} `json:"$defs"`
	}
	if err := json.Unmarshal(text, &schema); err != nil {
		t.Fatal(err)
	}
	if len(schema.Defs) < 15 {
		t.Errorf("only %d definitions", len(schema.Defs))
	}
	for name, d := range schema.Defs {
		if len(d.Properties) == 0 {
			t.Errorf("%s has no keys", name)
		}
	}
	if bytes.Contains(text, []byte(`"examples": []`)) {
		t.Error("a quantity has no example: its unit tag names no dimension")
	}
}
