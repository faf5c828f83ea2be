// Command glueline reduces the raw bridge voltages of bonded strain gauges to
// strain and stress. It monitors; it is not a protective system.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"slices"
	"syscall"
	_ "time/tzdata" // zone names mean the same on every machine

	"github.com/alecthomas/kong"

	"glueline/pipeline/journal"
	"glueline/pipeline/printable"
)

// commands are the words after "glueline"; each has a file of its own.
type commands struct {
	Check        checkCommand        `cmd:"" help:"Validate a test file and print what to expect of each channel before any data exists."`
	Schema       schemaCommand       `cmd:"" help:"Print the JSON Schema of test files, for editors."`
	Reduce       reduceCommand       `cmd:"" help:"Reduce raw files to strain and stress."`
	Demo         demoCommand         `cmd:"" help:"Make the raw data of an invented test, reduce it and say what was found."`
	Serve        serveCommand        `cmd:"" help:"Reduce frames as they come, for as long as the test runs."`
	Replay       replayCommand       `cmd:"" help:"Publish raw files and events to a running service."`
	Status       statusCommand       `cmd:"" help:"How a running service is: sources, lag, files, room."`
	Rereduce     rereduceCommand     `cmd:"" help:"Reduce what came again, under constants that were found to be right: only what they touch, beside the running service."`
	Calibrations calibrationsCommand `cmd:"" help:"Which constants held from where on, who changed them and why, and the revisions."`
	Compare      compareCommand      `cmd:"" help:"How far two reductions are apart: by column and step, flags and damage; as a table, CSV, JSON and plots."`
	Review       reviewCommand       `cmd:"" help:"Say by name that a revision was checked, or may be released."`
	Verify       verifyCommand       `cmd:"" help:"Look for damage in the files of a test, and reduce its raw archive again."`
	Drift        driftCommand        `cmd:"" help:"Which channel has stopped telling the truth, since when and why; and the cycles it has borne."`
	Alarms       alarmsCommands      `cmd:"" help:"What a person is told of, and whom: what is active, acknowledged, muted. Glueline monitors; it is not a protective system."`
	Explain      explainCommand      `cmd:"" help:"What one value is made of: reading, corrections, constants, and where each came from."`
	Export       exportCommand       `cmd:"" help:"Tables for other programs, CSV or Parquet: channels, a stretch of time, all rows or least, largest and mean."`
	Fit          fitCommand          `cmd:"" help:"Constants from the readings of the test itself, as proposals."`
	RuleOut      ruleOutCommand      `cmd:"" help:"Take a cause off a channel's list in glueline drift, by name."`
	Quarantine   quarantineCommand   `cmd:"" help:"Messages that were refused."`
	People       peopleCommands      `embed:""`
	Feed         feedCommand         `cmd:"" help:"Publish readings as they come, from standard input, a growing file or a TCP port."`
	Selfcheck    selfcheckCommand    `cmd:"" help:"Prove on this machine that the numbers are right: run check cases and print each with its source."`

	ConsoleUser consoleUserCommand `cmd:"" name:"console-user" help:"A line for --console-users of glueline serve: somebody who may sign in on the page."`

	Version kong.VersionFlag `help:"Print the version and stop."`
}

// errReported ends a command with status 1 when it has already said everything.
var errReported = errors.New("reported")

// streams are where a command talks to people and other programs.
type streams struct {
	out, err io.Writer
}

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	context.AfterFunc(ctx, stop) // a second signal ends the process at once
	os.Exit(run(ctx, os.Args[1:], streams{os.Stdout, os.Stderr}))
}

// run is main without the process: 0 done, 1 the work found something wrong or
// failed, 2 the command line was wrong, 3 the embedded server has failed or has no
// room on its disk, and the process is to be started again.
func run(ctx context.Context, args []string, s streams) int {
	var c commands
	status := -1
	parser, err := kong.New(&c,
		kong.Name("glueline"),
		kong.Description("Strain and stress from the raw bridge ratios of bonded strain gauges. It monitors; it is not a protective system."),
		kong.Vars{"version": program().Version},
		kong.Writers(s.out, s.err),
		kong.UsageOnError(),
		lengthsOfTime(),
		kong.Exit(func(code int) { status = code }),
	)
	if err != nil {
		fmt.Fprintln(s.err, "glueline:", err)
		return 2
	}
	if len(args) == 0 {
		args = []string{"--help"}
	}
	words, err := parser.Parse(args)
	if status >= 0 {
		return status
	}
	if err != nil {
		if slices.ContainsFunc(args, func(a string) bool { return len(a) > 1 && a[0] == '-' && a[1] >= '0' && a[1] <= '9' }) {
			err = fmt.Errorf("%w; what begins with - is taken for a flag: a value below zero stands behind --, last", err)
		}
		fmt.Fprintf(s.err, "glueline: %s\nTry: glueline --help\n", printable.Lines(err.Error()))
		return 2
	}
	words.BindTo(ctx, (*context.Context)(nil))
	words.Bind(s)
	switch err := words.Run(); {
	case err == nil:
		return 0
	case errors.Is(err, errReported):
		return 1
	default:
		if ctx.Err() != nil && errors.Is(err, context.Canceled) && !errors.Is(err, errInterrupted) {
			err = fmt.Errorf("%w by a signal (%w)", errInterrupted, err)
		}
		fmt.Fprintln(s.err, "glueline:", printable.Lines(err.Error()))
		if do := remedyOf(err); do != "" {
			fmt.Fprintln(s.err, do)
		}
		if errors.Is(err, journal.ErrServerFailed) || errors.Is(err, errDiskFull) {
			return 3
		}
		return 1
	}
}
