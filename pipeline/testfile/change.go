package testfile

import (
	"bytes"
	"errors"
	"fmt"
	"strings"

	"go.yaml.in/yaml/v3"
)

// ErrChange occurs when a change does not fit a test file that held at another
// time: what it changes is neither as it was before the change nor as it is after.
var ErrChange = errors.New("the change does not fit")

// Change makes the change between two texts of a test file in a third one, which
// held at another time of the same test: what differs between before and after, key
// by key, is set in it, and all else stays. A list, such as the wiring, is one
// value. Where the third text has something else there, ErrChange says so: a
// person has to write that test file.
func Change(before, after, to []byte) ([]byte, error) {
	if bytes.Equal(before, to) {
		return after, nil
	}
	var docs [3]yaml.Node
	for i, text := range [][]byte{before, after, to} {
		if err := yaml.Unmarshal(text, &docs[i]); err != nil {
			return nil, fmt.Errorf("test file: %w", err)
		}
		if len(docs[i].Content) != 1 {
			return nil, errors.New("test file: it is empty")
		}
	}
	if _, err := merge(docs[0].Content[0], docs[1].Content[0], docs[2].Content[0], nil); err != nil {
		return nil, err
	}
	var out bytes.Buffer
	e := yaml.NewEncoder(&out)
	e.SetIndent(2)
	if err := errors.Join(e.Encode(&docs[2]), e.Close()); err != nil {
		return nil, fmt.Errorf("test file: %w", err)
	}
	return out.Bytes(), nil
}

// merge returns what a value becomes, nil for nothing; each may be nil where
// there is none.
func merge(before, after, to *yaml.Node, path []string) (*yaml.Node, error) {
	switch {
	case alike(before, after) || alike(after, to):
		return to, nil
	case alike(before, to):
		return after, nil
	}
	for _, n := range []*yaml.Node{before, after, to} {
		if n == nil || n.Kind != yaml.MappingNode {
			return nil, fmt.Errorf("%w: the change makes %s %s where it was %s, but there it is %s", ErrChange,
				strings.Join(path, "."), short(after), short(before), short(to))
		}
	}
	for i := 0; i < len(to.Content); i += 2 {
		key := to.Content[i].Value
		value, err := merge(find(before, key), find(after, key), to.Content[i+1], append(path, key))
		if err != nil {
			return nil, err
		}
		if value == nil {
			to.Content = append(to.Content[:i], to.Content[i+2:]...)
			i -= 2
			continue
		}
		to.Content[i+1] = commented(value, to.Content[i+1])
	}
	for i := 0; i < len(after.Content); i += 2 {
		key := after.Content[i]
		if find(to, key.Value) != nil {
			continue
		}
		value, err := merge(find(before, key.Value), after.Content[i+1], nil, append(path, key.Value))
		if err != nil {
			return nil, err
		}
		if value != nil {
			to.Content = append(to.Content, key, value)
		}
	}
	return to, nil
}

// commented is a value with the comments of that in whose place it comes, unless
// it has its own.
func commented(n, was *yaml.Node) *yaml.Node {
	if n == was || n.HeadComment+n.LineComment+n.FootComment != "" {
		return n
	}
	c := *n
	c.HeadComment, c.LineComment, c.FootComment = was.HeadComment, was.LineComment, was.FootComment
	return &c
}

// find returns the value of a key; nil when the mapping has none.
func find(m *yaml.Node, key string) *yaml.Node {
	for i := 0; i < len(m.Content); i += 2 {
		if m.Content[i].Value == key {
			return m.Content[i+1]
		}
	}
	return nil
}

// alike reports whether two values say the same; the order of keys, comments and
// the way of writing do not count.
func alike(a, b *yaml.Node) bool {
	if a == nil || b == nil {
		return a == b
	}
	if a.Kind == yaml.AliasNode {
		a = a.Alias
	}
	if b.Kind == yaml.AliasNode {
		b = b.Alias
	}
	if a.Kind != b.Kind || len(a.Content) != len(b.Content) || a.Kind == yaml.ScalarNode && a.Value != b.Value {
		return false
	}
	for i := range a.Content {
		if a.Kind == yaml.MappingNode {
			if i%2 == 0 && !alike(a.Content[i+1], find(b, a.Content[i].Value)) {
				return false
			}
		} else if !alike(a.Content[i], b.Content[i]) {
			return false
		}
	}
	return true
}

// short is a value for a message.
func short(n *yaml.Node) string {
	if n == nil {
		return "not there"
	}
	text, err := yaml.Marshal(n)
	if err != nil {
		return "unreadable"
	}
	s := strings.Join(strings.Fields(string(text)), " ")
	if len(s) > 60 {
		s = strings.ToValidUTF8(s[:60], "") + "…"
	}
	return fmt.Sprintf("%q", s)
}
