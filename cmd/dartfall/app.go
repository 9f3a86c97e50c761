package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"regexp"
	"runtime/debug"
	"strings"
	"syscall"
	"unicode"

	"github.com/urfave/cli/v2"
)

// Exit statuses, listed in the help.
const (
	statusDone    = 0
	statusFailed  = 1
	statusUsage   = 2
	statusPartial = 3
)

// version is part of every result's identity: raise it when numbers change.
const version = "0.8.0"

// build is the version with the revision it was built from: results that another
// build stored are not taken up.
func build() string {
	if info, ok := debug.ReadBuildInfo(); ok {
		return version + " " + info.Main.Version
	}
	return version
}

// usageError is wrong use of the command line: status 2.
type usageError struct{ err error }

func (e usageError) Error() string { return e.err.Error() }
func (e usageError) Unwrap() error { return e.err }

func usagef(format string, args ...any) error { return usageError{fmt.Errorf(format, args...)} }

// errPartial ends a run that finished but left something to a person: photos unmeasured,
// a decision, numbers that cannot be right. Status 3; the command has already said what.
var errPartial = errors.New("some photos could not be measured, or something needs a decision")

// hinted carries what to do next beside what went wrong.
type hinted struct {
	error
	hint string
}

func (h hinted) Unwrap() error { return h.error }

// withHint attaches a sentence on what to do next.
func withHint(err error, format string, args ...any) error {
	return hinted{err, fmt.Sprintf(format, args...)}
}

// shellWord quotes a file's name where a shell would read more into it.
func shellWord(name string) string {
	special := func(r rune) bool {
		return !unicode.IsLetter(r) && !unicode.IsDigit(r) && !strings.ContainsRune("_-./=:@%+,", r)
	}
	if name != "" && strings.IndexFunc(name, special) < 0 {
		return name
	}
	return "'" + strings.ReplaceAll(name, "'", `'\''`) + "'"
}

// console is what a command may talk to: results to Out, all else to Err.
type console struct {
	In       io.Reader
	Out, Err io.Writer
}

// run is the whole program, in process: tests call it as main does.
func run(args []string, stdin io.Reader, stdout, stderr io.Writer) int {
	ends := []os.Signal{os.Interrupt, syscall.SIGTERM}
	if !signal.Ignored(syscall.SIGHUP) { // nohup keeps a run going when its window closes
		ends = append(ends, syscall.SIGHUP)
	}
	ctx, stop := signal.NotifyContext(context.Background(), ends...)
	defer stop()
	app := newApp(console{stdin, stdout, stderr})
	err := app.RunContext(ctx, flagsFirst(app, args))
	return report(err, stderr)
}

// report says what went wrong and maps it to an exit status.
func report(err error, stderr io.Writer) int {
	if err == nil {
		return statusDone
	}
	if errors.Is(err, errPartial) {
		return statusPartial
	}
	fmt.Fprintf(stderr, "dartfall: error: %v\n", err)
	var h hinted
	if errors.As(err, &h) {
		fmt.Fprintf(stderr, "dartfall: hint: %s\n", h.hint)
	}
	var u usageError
	if errors.As(err, &u) {
		return statusUsage
	}
	return statusFailed
}

func newApp(c console) *cli.App {
	usage := func(ctx *cli.Context, err error, _ bool) error {
		return withHint(usageError{plainFlagError(err)}, "%s --help lists the options", strings.TrimSpace("dartfall "+ctx.Command.Name))
	}
	app := &cli.App{
		Name:    "dartfall",
		Usage:   "measure where foam darts struck a ringed board, and compare accessories honestly",
		Version: version,
		Description: "Photograph the board, then:\n\n" +
			"   dartfall measure --ring 800mm --stickers red,blue board.jpg\n\n" +
			"Exit status: 0 done; 1 failed; 2 wrong use; 3 done, but some photos could not be\n" +
			"measured, something needs your decision (numbers that cannot be right, too), or no\n" +
			"mark was found.\n\n" +
			"Foam darts can injure eyes: rated eye protection for everybody near, a backstop,\n" +
			"and the local rules and the field's marshals have the last word.",
		Reader: c.In, Writer: c.Out, ErrWriter: c.Err,
		Suggest:        true,
		ExitErrHandler: func(*cli.Context, error) {},
		OnUsageError:   usage,
		Commands:       commands(c),
		Action: func(ctx *cli.Context) error {
			if name := ctx.Args().First(); name != "" {
				return withHint(usagef("there is no command %q", name), "%s", "dartfall help lists the commands"+suggestion(ctx.App, name))
			}
			return cli.ShowAppHelp(ctx)
		},
	}
	for _, cmd := range app.Commands {
		cmd.OnUsageError = usage
	}
	return app
}

var invalidFlagValue = regexp.MustCompile(`^invalid (?:boolean )?value "(.*)" for (?:flag )?-+(\S+): `)

// plainFlagError puts what package flag says of an option into plain words.
func plainFlagError(err error) error {
	said := err.Error()
	if flag, ok := strings.CutPrefix(said, "flag provided but not defined: -"); ok {
		return fmt.Errorf("there is no option --%s", strings.TrimLeft(flag, "-"))
	}
	if flag, ok := strings.CutPrefix(said, "flag needs an argument: -"); ok {
		return fmt.Errorf("--%s needs a value after it", strings.TrimLeft(flag, "-"))
	}
	if m := invalidFlagValue.FindStringSubmatch(said); m != nil {
		return fmt.Errorf("--%s cannot be %q", m[2], m[1])
	}
	return err
}

func suggestion(app *cli.App, name string) string {
	s := strings.TrimSpace(cli.SuggestCommand(app.Commands, name))
	if s != "" && !strings.Contains(s, `""`) { // the library's words when nothing is near
		return "; " + strings.ToLower(s[:1]) + s[1:]
	}
	return ""
}

// flagsFirst moves options before the positional arguments, since people write
// them in any order and the cli package stops at the first positional. All after
// a bare "--" stays positional.
func flagsFirst(app *cli.App, args []string) []string {
	if len(args) < 3 {
		return args
	}
	cmd := app.Command(args[1])
	if cmd == nil {
		return args
	}
	takesValue := map[string]bool{}
	for _, f := range cmd.Flags {
		_, isBool := f.(*cli.BoolFlag)
		for _, n := range f.Names() {
			takesValue[n] = !isBool
		}
	}
	var flags, rest []string
	in := args[2:]
	for i := 0; i < len(in); i++ {
		a := in[i]
		if a == "--" {
			rest = append(rest, in[i+1:]...)
			break
		}
		if !strings.HasPrefix(a, "-") || a == "-" {
			rest = append(rest, a)
			continue
		}
		flags = append(flags, a)
		name, _, hasValue := strings.Cut(strings.TrimLeft(a, "-"), "=")
		if !hasValue && takesValue[name] {
			if i+1 == len(in) {
				return append([]string{args[0], args[1]}, flags...) // the value is missing, and cli says so
			}
			i++
			flags = append(flags, in[i])
		}
	}
	out := append([]string{args[0], args[1]}, flags...)
	return append(append(out, "--"), rest...)
}

// commands lists every command in the order a reviewer meets them; each lives in a
// file of its own name.
func commands(c console) []*cli.Command {
	return []*cli.Command{
		MeasureCommand(c),
		DemoCommand(c),
		NewCommand(c),
		ReviewCommand(c),
		ReportCommand(c),
		PublishCommand(c),
		PlanCommand(c),
		FaceCommand(c),
		LensCommand(c),
		GroupCommand(c),
		CompareCommand(c),
		ScoreCommand(c),
		ChronoCommand(c),
		FlightCommand(c),
	}
}
