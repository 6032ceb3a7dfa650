package mongotest

import (
	"bufio"
	"cmp"
	"os"
	"os/exec"
	"strings"
	"testing"
)

// TestProgramOnMongoDB runs the tests of package crash that are not about the
// embedded store's file, against the server here: programs are killed, paused
// and taken over from. TIDEMARK_CRASH_CYCLES sets the kills; TIDEMARK_LONG=1
// makes them 50.
func TestProgramOnMongoDB(t *testing.T) {
	cycles := "3"
	if os.Getenv("TIDEMARK_LONG") != "" {
		cycles = "50"
	}
	runCrash(t, "^TestKill$", "TIDEMARK_CRASH_CYCLES="+cmp.Or(os.Getenv("TIDEMARK_CRASH_CYCLES"), cycles))
	if os.Getenv("TIDEMARK_LONG") != "" {
		runCrash(t, "^(TestTermination|TestRetryAfterKill)$")
	}
}

// TestRacesOnMongoDB has two programs race for the same resources.
func TestRacesOnMongoDB(t *testing.T) { runCrash(t, "^TestRacing") }

// TestLeasesOnMongoDB has several programs take over from each other: a kill
// and a pause in the ordinary run, twelve of both with TIDEMARK_LONG=1.
func TestLeasesOnMongoDB(t *testing.T) {
	cycles := "2"
	if os.Getenv("TIDEMARK_LONG") != "" {
		cycles = "12"
	}
	runCrash(t, "^TestLeases$", "TIDEMARK_CRASH_CYCLES="+cycles)
}

// runCrash runs tests of package crash on a server of their own.
func runCrash(t *testing.T, run string, env ...string) {
	t.Helper()
	if _, err := exec.LookPath("go"); err != nil {
		t.Skip("the program is built with the go command, which is not here")
	}
	cmd := exec.Command("go", "test", "tidemark/internal/crash", "-count=1", "-v", "-timeout=0", "-run", run)
	cmd.Env = append(os.Environ(), append(env, "TIDEMARK_CRASH_STORE="+Start(t).URL(""))...)
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	cmd.Stderr = os.Stderr
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	passed := false
	for in := bufio.NewScanner(out); in.Scan(); {
		t.Log(in.Text())
		passed = passed || strings.HasPrefix(in.Text(), "--- PASS")
	}
	if err := cmd.Wait(); err != nil || !passed {
		t.Errorf("%s on this store: %v; passed any: %v", run, err, passed)
	}
}
