// Command linewarden is the whole program: it serves a plant's sanitation and process-control log, and
// works on its data folder from the command line. Each subcommand has a file of its own, which holds its
// flags and its wiring and nothing else.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"strings"
	"syscall"

	"github.com/alecthomas/kong"

	"linewarden/internal/app"
)

// version is set when a release is built.
var version = "development"

type commands struct {
	Demo    demoCommand    `cmd:"" help:"Make the invented demo plant with a few weeks of history, and serve it."`
	Serve   serveCommand   `cmd:"" help:"Serve a plant from its data folder."`
	Plan    planCommands   `cmd:"" help:"Check and sign plans."`
	Import  importCommand  `cmd:"" help:"Import readings from a CSV file."`
	Export  exportCommand  `cmd:"" help:"Write a report or the records themselves to a file."`
	Verify  verifyCommand  `cmd:"" help:"Prove that a record log was not changed, or name the first bad record."`
	Backup  backupCommand  `cmd:"" help:"Back up a plant's records, checkpoints and passwords, while it is served."`
	Restore restoreCommand `cmd:"" help:"Put a backup back; the log says so."`
	Move    moveCommand    `cmd:"" help:"Move a plant from a data folder into a database, or back."`
	Key     keyCommand     `cmd:"" help:"Make the signing key of a site that is to be kept in a database."`
	User    userCommands   `cmd:"" help:"Add people and change their standing."`
	Ready   readyCommand   `cmd:"" help:"Ask a service whether it takes commands."`
	Group   groupCommands  `cmd:"" help:"Sites, people and roles of a group of plants."`
	Calc    calcCommand    `cmd:"" help:"Answer a question of the trade with its formula, source and cautions."`
	Version versionCommand `cmd:"" help:"Print the version."`
}

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	context.AfterFunc(ctx, stop) // a second Ctrl+C ends the program at once
	code := run(ctx, newTerminal(), os.Args[1:])
	stop()
	os.Exit(code)
}

// run is the program without the process around it. It gives the exit code: 0, 1 for a failure, 2 for a
// command line that cannot be read.
func run(ctx context.Context, t *terminal, args []string) (code int) {
	var c commands
	exited := -1
	parser, err := kong.New(&c, kong.Name("linewarden"),
		kong.Description("Sanitation and process-control log of a plant that makes inner-leaf gel."),
		kong.Writers(t.out, t.err), kong.Exit(func(n int) { exited = n; panic(exiting{}) }),
		kong.ConfigureHelp(kong.HelpOptions{Compact: true}),
		kong.BindTo(ctx, (*context.Context)(nil)), kong.Bind(t))
	if err != nil {
		return t.fail(err)
	}
	defer func() {
		if r := recover(); r != nil {
			if _, ok := r.(exiting); !ok {
				panic(r)
			}
			code = exited
		}
	}()
	if len(args) == 0 {
		args = []string{"--help"}
	}
	if args[0] == "help" {
		args = append(args[1:len(args):len(args)], "--help")
	}
	if name, ok := calculatorHelp(args); ok {
		return t.fail(helpCalculator(t, name))
	}
	parsed, err := parser.Parse(args)
	if err != nil {
		fmt.Fprintf(t.err, "linewarden: %v (see linewarden %s--help)\n", err, subcommand(args))
		return 2
	}
	return t.fail(parsed.Run())
}

type exiting struct{}

// subcommand gives the leading words of a command line that are no flags, for the hint at its help.
func subcommand(args []string) string {
	var b strings.Builder
	for _, a := range args[:min(len(args), 2)] {
		if strings.HasPrefix(a, "-") || strings.ContainsAny(a, "./\\") {
			break
		}
		b.WriteString(a + " ")
	}
	return b.String()
}

// errSilent is the error of a command that has said what is wrong already.
var errSilent = errors.New("said already")

// fail prints one clear line for an error and gives the exit code.
func (t *terminal) fail(err error) int {
	if err == nil {
		return 0
	}
	t.clear()
	if errors.Is(err, errSilent) {
		return 1
	}
	if line, ok := app.Taken(err); ok {
		err = errors.New(line)
	}
	if errors.Is(err, app.ErrNoSite) {
		err = fmt.Errorf("%w: found one by signing its first plan (linewarden plan sign FILE --data DIR), or look at the demo (linewarden demo)", err)
	}
	if errors.Is(err, context.Canceled) {
		err = errors.New("interrupted")
	}
	_, _ = io.WriteString(t.err, "linewarden: "+strings.ReplaceAll(err.Error(), "\n", "; ")+"\n")
	return 1
}
