package tell

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"go.yaml.in/yaml/v3"
)

// Way brings a message to a person.
type Way interface {
	Name() string
	// Send returns nil when the message was taken over. Its error tells no
	// secret.
	Send(ctx context.Context, m Message) error
}

// Ways are those of each person. They do not change.
type Ways struct{ of map[string][]Way }

// ErrWays occurs when a file of ways is wrong; nothing is sent by it.
var ErrWays = errors.New("file of ways")

// sendWithin is how long a way may take over one message.
const sendWithin = 30 * time.Second

// file is a file of ways as it is written.
type file struct {
	People map[string]entry `yaml:"people"`
}

type entry struct {
	Command []string `yaml:"command"`
	Webhook *webhook `yaml:"webhook"`
	EMail   *eMail   `yaml:"e-mail"`
}

// secret is read from a file or the environment, never written in the file of
// ways itself.
type secret struct {
	File string `yaml:"file"`
	Env  string `yaml:"env"`

	value string
}

func (s *secret) read(folder string) error {
	switch {
	case s == nil:
		return nil
	case (s.File == "") == (s.Env == ""):
		return errors.New("a secret is {file: PATH} or {env: NAME}, one of them")
	case s.Env != "":
		s.value = os.Getenv(s.Env)
	default:
		path := s.File
		if !filepath.IsAbs(path) {
			path = filepath.Join(folder, path)
		}
		text, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		s.value = strings.TrimRight(string(text), "\r\n")
	}
	if s.value == "" {
		return fmt.Errorf("the secret in %s%s is empty", s.File, s.Env)
	}
	if strings.ContainsAny(s.value, "\r\n") {
		return fmt.Errorf("the secret in %s%s has more than one line", s.File, s.Env)
	}
	return nil
}

// LoadWays reads a file of ways, and every secret that it names. The error
// (ErrWays) joins all that is wrong.
func LoadWays(path string) (*Ways, error) {
	text, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("%w: %w", ErrWays, err)
	}
	w, err := parseWays(text, filepath.Dir(path))
	if err != nil {
		return nil, fmt.Errorf("%w %s: %w", ErrWays, path, err)
	}
	return w, nil
}

func parseWays(text []byte, folder string) (*Ways, error) {
	d := yaml.NewDecoder(bytes.NewReader(text))
	d.KnownFields(true)
	var f file
	if err := d.Decode(&f); err != nil && !errors.Is(err, io.EOF) {
		return nil, err
	}
	if len(f.People) == 0 {
		return nil, errors.New("it names nobody; write people: {NAME: {command: [PROGRAM, ARGUMENT]}}")
	}
	w := &Ways{of: map[string][]Way{}}
	var all error
	for _, who := range slices.Sorted(maps.Keys(f.People)) {
		ways, err := f.People[who].ways(folder)
		if err == nil && len(ways) == 0 {
			err = errors.New("no way; write command, webhook or e-mail")
		}
		if err != nil {
			all = errors.Join(all, fmt.Errorf("people.%s: %w", who, err))
		}
		w.of[who] = ways
	}
	return w, all
}

func (e entry) ways(folder string) (all []Way, err error) {
	if e.Command != nil {
		c, wrong := newCommand(e.Command)
		all, err = append(all, c), errors.Join(err, wrong)
	}
	if e.Webhook != nil {
		all, err = append(all, e.Webhook), errors.Join(err, e.Webhook.prepare(folder))
	}
	if e.EMail != nil {
		all, err = append(all, e.EMail), errors.Join(err, e.EMail.prepare(folder))
	}
	return all, err
}

// Of returns the ways of a person; nil Ways have none.
func (w *Ways) Of(who string) []Way {
	if w == nil {
		return nil
	}
	return w.of[who]
}

// People are those with a way, in order of their names.
func (w *Ways) People() []string {
	if w == nil {
		return nil
	}
	return slices.Sorted(maps.Keys(w.of))
}
