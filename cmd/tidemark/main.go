// Command tidemark serves the output of closed-suction surgical drains as
// FHIR R4, and has what goes with a service: a demonstration ward, tokens,
// simulated data, backup, and the ward policy.
package main

import (
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"runtime"
	"runtime/debug"
	"slices"
	"strings"
	_ "time/tzdata" // ward calendars work where no zone database is installed

	"github.com/alecthomas/kong"

	"tidemark/internal/auth"
	"tidemark/internal/fault"
	"tidemark/internal/store/sqlite"
)

// version is what /fhir/metadata shows.
const version = "0.1.0"

// commands is the command line. Each flag has an environment variable
// TIDEMARK_… as well.
type commands struct {
	Demo     demoCmd     `cmd:"" help:"Start the service on a fresh store with a simulated ward, and print how to ask it."`
	Serve    serveCmd    `cmd:"" help:"Start the service on a store that lasts."`
	Token    tokenCmd    `cmd:"" help:"Mint a bearer token from the local key."`
	Simulate simulateCmd `cmd:"" help:"Write a simulated hospital as NDJSON, or post it to a server."`
	Import   importCmd   `cmd:"" help:"Bring NDJSON files into a store or a server."`
	Export   exportCmd   `cmd:"" help:"Write a store or a server out as NDJSON files."`
	Backup   backupCmd   `cmd:"" help:"Copy the embedded store, also while it serves."`
	Restore  restoreCmd  `cmd:"" help:"Make a data directory from a backup."`
	Purge    purgeCmd    `cmd:"" help:"Erase records from a store for good, once they ended long enough ago."`
	Policy   policyCmd   `cmd:"" help:"Check, show or try a ward policy, or write its schema."`
	Health   healthCmd   `cmd:"" help:"Ask a running service whether it is ready; exit 0 if so, 1 if not."`
	Version  versionCmd  `cmd:"" help:"Print the version, the licences, or a bill of materials."`

	Help        helpFlag    `short:"h" help:"Show this help."`
	ShowVersion versionFlag `name:"version" env:"-" help:"Print the version."`
}

// helpFlag is the parser's own, in our words.
type helpFlag bool

func (helpFlag) IgnoreDefault() {}

// BeforeReset comes before anything is asked of the other arguments.
func (helpFlag) BeforeReset(ctx *kong.Context) error {
	err := ctx.PrintUsage(false)
	ctx.Kong.Exit(0)
	return err
}

type versionFlag bool

func (versionFlag) IgnoreDefault() {}

func (versionFlag) BeforeReset(ctx *kong.Context) error {
	_, err := fmt.Fprintln(ctx.Stdout, versions())
	ctx.Kong.Exit(0)
	return err
}

// described is a flag's help with its default, and the environment variable that
// sets it.
func described(v *kong.Value) string {
	help := strings.TrimSuffix(v.Help, ".")
	if v.HasDefault && v.Default != "" && !v.IsBool() {
		help += ", default " + v.Default
	}
	if len(v.Tag.Envs) > 0 {
		help += " ($" + strings.Join(v.Tag.Envs, ", $") + ")"
	}
	return help + "."
}

// env is what commands write to.
type env struct {
	out, err io.Writer
	log      *slog.Logger
}

func main() {
	private()
	os.Exit(run(os.Args[1:], os.Stdout, os.Stderr))
}

// run is main without the process: tests call it.
func run(args []string, out, errw io.Writer) int {
	var c commands
	code := -1
	k, err := kong.New(&c,
		kong.Name("tidemark"),
		kong.Description("Output of closed-suction surgical drains as FHIR R4: entries in, fluid balance and escalation status out. It informs, it does not diagnose; local protocol and the licensed clinician decide."),
		kong.DefaultEnvars("TIDEMARK"),
		kong.Writers(out, errw),
		kong.Vars{"roles": strings.Join(auth.RoleNames(), ", ")},
		untidiness(),
		kong.Exit(func(n int) { code = n }),
		kong.ConfigureHelp(kong.HelpOptions{Compact: true}),
		kong.NoDefaultHelp(), kong.ValueFormatter(described),
	)
	if err != nil {
		fmt.Fprintln(errw, "tidemark:", err)
		return 2
	}
	if len(args) == 0 {
		args = []string{"--help"}
	}
	if err := unknownSetting(k.Model, os.Environ()); err != nil {
		return fail(errw, err)
	}
	ctx, err := k.Parse(args)
	if code >= 0 { // --help, --version
		return code
	}
	if err != nil {
		return fail(errw, misread(err))
	}
	e := &env{out: out, err: errw, log: slog.New(slog.NewTextHandler(errw, nil))}
	if err := ctx.Run(e); err != nil {
		return fail(errw, err)
	}
	return 0
}

// unknownSetting finds a variable that looks like a setting and is none: what was
// meant by it would not hold, and nobody would know. Those of the tests pass.
func unknownSetting(model *kong.Application, environ []string) error {
	var known []string
	var gather func(n *kong.Node)
	gather = func(n *kong.Node) {
		for _, f := range n.Flags {
			known = append(known, f.Tag.Envs...)
		}
		for _, c := range n.Children {
			gather(c)
		}
	}
	gather(model.Node)
	for _, line := range environ {
		name, _, _ := strings.Cut(line, "=")
		if !strings.HasPrefix(name, "TIDEMARK_") || slices.Contains(known, name) || slices.ContainsFunc(ofTests, func(p string) bool { return strings.HasPrefix(name, p) }) {
			continue
		}
		return fmt.Errorf("there is no setting %s; run the command with --help for a list", name)
	}
	return nil
}

// ofTests begin the variables that steer the tests, which start this program too.
var ofTests = []string{"TIDEMARK_TEST_", "TIDEMARK_BENCH_", "TIDEMARK_CRASH_", "TIDEMARK_MONGOTEST_", "TIDEMARK_REQUIRE_", "TIDEMARK_SOAK", "TIDEMARK_LONG", "TIDEMARK_CHROMIUM", "TIDEMARK_SHOTS", "TIDEMARK_BINARY"}

// misread says of a command line that cannot be read what to change: the parser
// speaks of its own grammar.
func misread(err error) error {
	text := err.Error()
	if what, found := strings.CutPrefix(text, "expected one of "); found {
		return fmt.Errorf("name a command: %s; tidemark --help says what each does", strings.ReplaceAll(what, `"`, ""))
	}
	if what, found := strings.CutPrefix(text, "expected "); found {
		return fmt.Errorf("%s is missing; run it with --help to see what it takes", strings.Trim(what, `"`))
	}
	if what, found := strings.CutPrefix(text, "missing flags: "); found {
		return fmt.Errorf("give %s; run it with --help to see what it means", what)
	}
	if what, found := strings.CutPrefix(text, "unexpected argument "); found {
		return fmt.Errorf("%s is not an argument of this command; run it with --help to see what it takes", what)
	}
	return err
}

// exit is an error with an exit code of its own.
type exit struct {
	code int
	err  error
}

func (e *exit) Error() string { return e.err.Error() }
func (e *exit) Unwrap() error { return e.err }

// fail prints one line that says what to change.
func fail(w io.Writer, err error) int {
	fmt.Fprintln(w, "tidemark:", strings.ReplaceAll(strings.TrimSpace(words(err)), "\n", "; "))
	var x *exit
	if errors.As(err, &x) {
		return x.code
	}
	return 2
}

// words are an error's own, and of an internal one what lies beneath: a client
// of the service must not see that, but whoever runs a command needs it.
func words(err error) string {
	var f *fault.Error
	if errors.As(err, &f) && f.Kind == fault.Internal && f.Cause != nil {
		return "cannot " + f.Cause.Error()
	}
	return err.Error()
}

// versions are the program's, and those of what it was made from and writes.
func versions() string {
	words := "tidemark " + version
	if b, ok := debug.ReadBuildInfo(); ok {
		for _, s := range b.Settings {
			if s.Key == "vcs.revision" {
				words += ", commit " + s.Value[:min(12, len(s.Value))]
			}
		}
	}
	return words + ", " + runtime.Version() + fmt.Sprintf(", schema %d", sqlite.Schema())
}
