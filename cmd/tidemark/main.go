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
	"strings"
	_ "time/tzdata" // ward calendars work where no zone database is installed

	"github.com/alecthomas/kong"

	"tidemark/internal/auth"
	"tidemark/internal/fault"
)

// version is what /fhir/metadata shows.
const version = "0.1.0"

// commands is the command line. Each flag has an environment variable
// TIDEMARK_… as well.
type commands struct {
	Demo     demoCmd     `cmd:"" help:"Start the service on a fresh store with a simulated ward, and print how to ask it."`
	Serve    serveCmd    `cmd:"" help:"Serve."`
	Token    tokenCmd    `cmd:"" help:"Mint a bearer token from the local key."`
	Simulate simulateCmd `cmd:"" help:"Write a simulated hospital as NDJSON, or post it to a server."`
	Import   importCmd   `cmd:"" help:"Bring NDJSON files into a store or a server."`
	Export   exportCmd   `cmd:"" help:"Write a store or a server out as NDJSON files."`
	Backup   backupCmd   `cmd:"" help:"Copy the embedded store, also while it serves."`
	Restore  restoreCmd  `cmd:"" help:"Make a data directory from a backup."`
	Policy   policyCmd   `cmd:"" help:"Check or show the ward policy."`
	Version  versionCmd  `cmd:"" help:"Print the version."`
}

// env is what commands write to.
type env struct {
	out, err io.Writer
	log      *slog.Logger
}

func main() { os.Exit(run(os.Args[1:], os.Stdout, os.Stderr)) }

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
		kong.Exit(func(n int) { code = n }),
		kong.ConfigureHelp(kong.HelpOptions{Compact: true}),
	)
	if err != nil {
		fmt.Fprintln(errw, "tidemark:", err)
		return 2
	}
	if len(args) == 0 {
		args = []string{"--help"}
	}
	ctx, err := k.Parse(args)
	if code >= 0 { // --help
		return code
	}
	if err == nil {
		e := &env{out: out, err: errw, log: slog.New(slog.NewTextHandler(errw, nil))}
		err = ctx.Run(e)
	}
	if err != nil {
		return fail(errw, err)
	}
	return 0
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

type versionCmd struct{}

func (versionCmd) Run(e *env) error {
	_, err := fmt.Fprintln(e.out, "tidemark", version)
	return err
}
