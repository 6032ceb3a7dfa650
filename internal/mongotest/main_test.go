package mongotest

import (
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
	code := m.Run()
	if programs != "" {
		_ = os.RemoveAll(programs) // in the directory for temporary files
	}
	os.Exit(code)
}
