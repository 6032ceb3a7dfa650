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
	// All runs of the model go to one database, which this server scans.
	flag.Parse()
	if checks := flag.Lookup("rapid.checks"); os.Getenv("TIDEMARK_LONG") == "" && checks.Value.String() == checks.DefValue {
		if err := checks.Value.Set("12"); err != nil {
			panic(err)
		}
	}
	// The race detector makes the server ten times slower. What waits for it by
	// time is left to the run without, and the rest has the same code.
	if skip := flag.Lookup("test.skip"); raced && os.Getenv("TIDEMARK_LONG") == "" && skip.Value.String() == "" {
		fmt.Println("mongotest: with the race detector, without linearizability, paging while writing, large resources, and programs that are killed; TIDEMARK_LONG=1 runs all")
		if err := skip.Value.Set("TestLinearizableWithFaults|TestProgramOnMongoDB|TestLeasesOnMongoDB|TestStore/(linearizable|paging_while_writing|largest_resource|scan_of_large_resources)"); err != nil {
			panic(err)
		}
	}
	code := m.Run()
	if programs != "" {
		_ = os.RemoveAll(programs) // in the directory for temporary files
	}
	os.Exit(code)
}
