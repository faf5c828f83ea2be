package console

import (
	"context"
	"io"
	"time"
)

// Article is the test that a page is about. Answers are turned into JSON as they
// are; their numbers are SI, and what is not known is null.
type Article interface {
	// Describe says what the test is: its channels, where they sit, the drawing.
	Describe(ctx context.Context) (any, error)
	// Look answers a question of the page by its name; ErrUnknown for others.
	Look(ctx context.Context, what string, q Query) (any, error)
	// Plan says what an action would do, or why it cannot be done.
	Plan(ctx context.Context, a Action) (Plan, error)
}

// Query are the words that a question comes with.
type Query map[string][]string

// Get is the first word of a key, "" without one.
func (q Query) Get(key string) string {
	if v := q[key]; len(v) > 0 {
		return v[0]
	}
	return ""
}

// Action is something that a person wants done, with the fields of its form.
type Action struct {
	What   string            `json:"what"`
	Fields map[string]string `json:"fields"`
}

// Plan is an action that has not begun.
type Plan struct {
	Says string // what will be done, in a sentence or two
	Run  func(ctx context.Context, out io.Writer) error
}

// Task is an action that was begun.
type Task struct {
	ID    string    `json:"id"`
	What  string    `json:"what"`
	Who   string    `json:"who"`
	Began time.Time `json:"began"`
	Done  bool      `json:"done"`
	Said  string    `json:"said"` // so far
	Error string    `json:"error,omitempty"`
}
