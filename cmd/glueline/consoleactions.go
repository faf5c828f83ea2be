package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"glueline/sinks/console"
)

// consoleAction is a form of the page and the command that it stands for.
type consoleAction struct {
	needs  []string // fields that must be filled in
	fields []string // all but who and why
	reads  bool     // it changes nothing, so that nobody signs for it
	says   func(f map[string]string) string
	args   func(f map[string]string) (flags, words []string)
	own    func(a *consoleArticle, f map[string]string) (console.Plan, error) // in place of args
}

// plan makes the command line. What somebody typed stands behind "=" or behind
// "--", so that it is never taken for a flag.
func (a *consoleAction) plan(of *consoleArticle, f map[string]string) (console.Plan, error) {
	if a.own != nil {
		return a.own(of, f)
	}
	flags, words := a.args(f)
	args := append(flags, "--data="+of.svc.data, "--who="+f["who"])
	if f["why"] != "" {
		args = append(args, "--why="+f["why"])
	}
	if len(words) > 0 {
		args = append(append(args, "--"), words...)
	}
	return console.Plan{Says: a.says(f) + "\nThe same in a terminal: glueline " + shellLine(args), Run: runCommand(args)}, nil
}

// shellLine is a command line as somebody would type it.
func shellLine(args []string) string {
	var words []string
	for _, a := range args {
		if strings.ContainsFunc(a, func(r rune) bool {
			return !strings.ContainsRune("abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789-_=./:,", r)
		}) {
			a = "'" + strings.ReplaceAll(a, "'", `'\''`) + "'"
		}
		words = append(words, a)
	}
	return strings.Join(words, " ")
}

func optional(flag, value string) []string {
	if strings.TrimSpace(value) == "" {
		return nil
	}
	return []string{flag + "=" + value}
}

func join(lists ...[]string) (all []string) {
	for _, l := range lists {
		all = append(all, l...)
	}
	return all
}

func ofChannels(f map[string]string) string {
	if f["channels"] == "" {
		return "all channels"
	}
	return f["channels"]
}

// consoleActions are the actions of the page by their names.
var consoleActions = map[string]*consoleAction{
	"zero": {
		needs: []string{"kind", "for", "why"}, fields: []string{"kind", "name", "for", "channels", "force"},
		says: func(f map[string]string) string {
			return fmt.Sprintf("The readings of the next %s of %s become the %s zero. %s", f["for"], ofChannels(f), f["kind"], means[f["kind"]])
		},
		args: func(f map[string]string) (flags, words []string) {
			return join([]string{"zero", "--kind=" + f["kind"], "--for=" + f["for"]}, optional("--name", f["name"]), optional("--channels", f["channels"]), optional("--force", f["force"])), nil
		},
	},
	"shunt": {
		needs: []string{"channel", "for"}, fields: []string{"channel", "for"},
		says: func(f map[string]string) string {
			return fmt.Sprintf("Connect the resistor of %s when you are told to. Its samples are left out meanwhile, and what it reads is compared with the step that the bridge must make. The files of all groups end then.", f["channel"])
		},
		args: func(f map[string]string) (flags, words []string) {
			return []string{"shunt", "--for=" + f["for"]}, []string{f["channel"]}
		},
	},
	"step": {
		needs: []string{"state", "name"}, fields: []string{"state", "name", "target", "force"},
		says: func(f map[string]string) string {
			return fmt.Sprintf("The journal says from this moment of the data on: step %q, %s.", f["name"], f["state"])
		},
		args: func(f map[string]string) (flags, words []string) {
			return join([]string{"step"}, optional("--target", f["target"]), optional("--force", f["force"])), []string{f["state"], f["name"]}
		},
	},
	"load-state": {
		needs: []string{"state"}, fields: []string{"state"},
		says: func(f map[string]string) string {
			return "The journal says that the article is " + f["state"] + " from this moment on."
		},
		args: func(f map[string]string) (flags, words []string) { return []string{"load-state"}, []string{f["state"]} },
	},
	"insulation": {
		needs: []string{"channel", "value"}, fields: []string{"channel", "value"},
		says: func(f map[string]string) string {
			return fmt.Sprintf("The insulation of %s against the article was measured: %s.", f["channel"], f["value"])
		},
		args: func(f map[string]string) (flags, words []string) {
			return []string{"insulation"}, []string{f["channel"], f["value"]}
		},
	},
	"note": {
		needs: []string{"text"}, fields: []string{"text", "channels"},
		says: func(f map[string]string) string { return "A note stands in the journal for ever: " + f["text"] },
		args: func(f map[string]string) (flags, words []string) {
			return join([]string{"note"}, optional("--channels", f["channels"])), []string{f["text"]}
		},
	},
	"acknowledge": {
		needs: []string{"alarm", "why"}, fields: []string{"alarm", "level"},
		says: func(f map[string]string) string {
			return fmt.Sprintf("You answer for the alarm %s, by name: nobody else is told of it, unless it becomes worse. Nothing about the article changes by that.", f["alarm"])
		},
		args: func(f map[string]string) (flags, words []string) {
			return join([]string{"alarms", "acknowledge"}, optional("--level", f["level"])), []string{f["alarm"]}
		},
	},
	"preview": {
		needs: []string{"text"}, fields: []string{"text", "from", "to"}, reads: true,
		own: func(a *consoleArticle, f map[string]string) (console.Plan, error) {
			return rereducePlan(a, f, true)
		},
	},
	"rereduce": {
		needs: []string{"text", "why"}, fields: []string{"text", "from", "to"},
		own: func(a *consoleArticle, f map[string]string) (console.Plan, error) {
			return rereducePlan(a, f, false)
		},
	},
	"compare": {
		needs: []string{"a", "b"}, fields: []string{"a", "b"}, reads: true,
		own: func(a *consoleArticle, f map[string]string) (console.Plan, error) {
			data := a.svc.data
			for _, r := range []string{f["a"], f["b"]} {
				if !isFolder(filepath.Join(data, filepath.Base(r))) {
					return console.Plan{}, fmt.Errorf("%w: there is no revision %s", console.ErrRefused, r)
				}
			}
			args := []string{"compare", "--quiet", "--", filepath.Join(data, filepath.Base(f["a"])), filepath.Join(data, filepath.Base(f["b"]))}
			return console.Plan{Says: fmt.Sprintf("Reads %s and %s side by side.\nThe same in a terminal: glueline %s", f["a"], f["b"], shellLine(args)), Run: runCommand(args)}, nil
		},
	},
}

// rereducePlan is a re-reduction under the text of a test file that somebody
// changed on the page, or its preview.
func rereducePlan(a *consoleArticle, f map[string]string, preview bool) (console.Plan, error) {
	data, files := a.svc.data, a.svc.current.Load().files
	args := join(optional("--from", f["from"]), optional("--to", f["to"]), []string{"--quiet"})
	says := "What changes is reduced again beside the service, into a new revision that holds when all of it is there. The old one stays as it is."
	if preview {
		args, says = append(args, "--preview"), "Shows what would change, and changes nothing."
	} else {
		args = append(args, "--who="+f["who"], "--why="+f["why"])
	}
	shown := join([]string{"rereduce", "--calibration=TEST-FILE"}, args, []string{"--", data})
	return console.Plan{
		Says: says + "\nThe same in a terminal: glueline " + shellLine(shown),
		Run: func(ctx context.Context, out io.Writer) (err error) {
			dir, err := os.MkdirTemp("", "glueline-*")
			if err != nil {
				return err
			}
			defer func() { err = errors.Join(err, os.RemoveAll(dir)) }()
			path := filepath.Join(dir, keptName)
			if err := os.WriteFile(path, []byte(f["text"]), 0o600); err != nil {
				return err
			}
			for _, beside := range files[1:] {
				if err := os.WriteFile(filepath.Join(dir, beside.name), beside.text, 0o600); err != nil {
					return err
				}
			}
			return runCommand(join([]string{"rereduce", "--calibration=" + path}, args, []string{"--", data}))(ctx, out)
		},
	}, nil
}
