// Command bundle makes the page of the console: one script and one style sheet,
// from page/ into built/. What it makes depends on nothing but those and on the
// version of the plotting library in testdata/js.
package main

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"github.com/evanw/esbuild/pkg/api"
)

func main() {
	out := "built"
	if len(os.Args) > 1 {
		out = os.Args[1] // for the test that compares
	}
	if err := bundle(".", out); err != nil {
		fmt.Fprintln(os.Stderr, "bundle:", err)
		os.Exit(1)
	}
}

// licenceOf is the comment that a library begins with, which stays with its code.
func licenceOf(path string) (string, error) {
	text, err := os.ReadFile(path)
	if err != nil {
		return "", err
	}
	comment, _, ok := strings.Cut(string(text), "*/")
	if !ok || !strings.HasPrefix(comment, "/*") {
		return "", fmt.Errorf("%s does not begin with its licence", path)
	}
	return comment + "*/", nil
}

// bundle makes the page of the console in folder dir into out.
func bundle(dir, out string) error {
	at, err := filepath.Abs(dir)
	if err != nil {
		return err
	}
	licence, err := licenceOf(filepath.Join(at, "../../testdata/js/node_modules/uplot/dist/uPlot.esm.js"))
	if err != nil {
		return fmt.Errorf("%w (the plotting library comes with: npm ci --prefix testdata/js)", err)
	}
	result := api.Build(api.BuildOptions{
		Banner:        map[string]string{"js": licence, "css": licence},
		AbsWorkingDir: filepath.Join(at, "page"), EntryPoints: []string{"main.ts"}, Outdir: filepath.Join(at, out), NodePaths: []string{filepath.Join(at, "../../testdata/js/node_modules")},
		Bundle: true, Format: api.FormatIIFE, Target: api.ES2022, Charset: api.CharsetUTF8, LegalComments: api.LegalCommentsInline,
		MinifySyntax: true, MinifyWhitespace: true, LogLevel: api.LogLevelSilent,
	})
	for _, m := range result.Errors {
		err = errors.Join(err, errors.New(m.Text))
		if m.Location != nil {
			err = errors.Join(err, fmt.Errorf("  at %s:%d", m.Location.File, m.Location.Line))
		}
	}
	if err != nil {
		return fmt.Errorf("%w (the plotting library comes with: npm ci --prefix testdata/js)", err)
	}
	if err := os.MkdirAll(filepath.Join(at, out), 0o755); err != nil {
		return err
	}
	page, err := os.ReadFile(filepath.Join(at, "page/index.html"))
	if err != nil {
		return err
	}
	files := append(result.OutputFiles, api.OutputFile{Path: filepath.Join(at, out, "index.html"), Contents: page})
	for _, f := range files {
		if err := os.WriteFile(f.Path, f.Contents, 0o644); err != nil {
			return err
		}
	}
	return nil
}
