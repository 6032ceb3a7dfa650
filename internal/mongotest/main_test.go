package mongotest

import (
	"flag"
	"fmt"
	"os"
	"runtime/debug"
	"testing"
)

func TestMain(m *testing.M) {
	if url := os.Getenv(childURL); url != "" {
		fmt.Fprintln(os.Stderr, child(url, os.Getenv(childLog)))
		os.Exit(1)
	}
	// The server decodes every document of a collection for nearly every
	// query; most of the time would go into collecting them.
	debug.SetGCPercent(800)
	// All runs of the model go to one database, which this server scans: a
	// hundred take longer than all else, and with the race detector half an hour.
	flag.Parse()
	if checks := flag.Lookup("rapid.checks"); os.Getenv("TIDEMARK_LONG") == "" && checks.Value.String() == checks.DefValue {
		if err := checks.Value.Set("12"); err != nil {
			panic(err)
		}
	}
	code := m.Run()
	if programs != "" {
		_ = os.RemoveAll(programs) // in the directory for temporary files
	}
	os.Exit(code)
}
