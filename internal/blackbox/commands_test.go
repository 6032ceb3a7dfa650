package blackbox

import (
	"bytes"
	"errors"
	"fmt"
	"net"
	"net/http"
	"net/http/httputil"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/testscript"
)

// TestCommands runs the scripts of testdata/commands: import, export and
// simulate as an operator calls them, what they print, their exit codes, and
// what is there after they were killed and called again.
func TestCommands(t *testing.T) {
	bin := t.TempDir()
	if err := os.Symlink(binary, filepath.Join(bin, "tidemark")); err != nil {
		t.Fatal(err)
	}
	testscript.Run(t, testscript.Params{
		Dir: filepath.Join("testdata", "commands"),
		Setup: func(e *testscript.Env) error {
			e.Setenv("PATH", bin+string(os.PathListSeparator)+os.Getenv("PATH"))
			e.Setenv("DAY", "2026-11-20T07:00:00Z") // of simulated charting; in the past on any day
			e.Values[stage{}] = &stage{listen: freePort(t), gate: &gate{}}
			return nil
		},
		Cmds: map[string]func(*testscript.TestScript, bool, []string){
			"exits": exits, "up": up, "down": down, "gone": gone, "token": mint, "cut": cutOff, "moved": moved, "gate": gated, "lines": lines,
		},
	})
}

// stage is what a script's service has.
type stage struct {
	listen string
	cmd    *exec.Cmd
	gate   *gate
}

func stageOf(ts *testscript.TestScript) *stage { return ts.Value(stage{}).(*stage) }

// exits CODE COMMAND… runs a command and wants this exit code.
func exits(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 2 {
		ts.Fatalf("usage: exits CODE COMMAND…")
	}
	err := ts.Exec(args[1], args[2:]...)
	got := 0
	var ended *exec.ExitError
	if errors.As(err, &ended) {
		got = ended.ExitCode()
	} else if err != nil {
		ts.Fatalf("%v", err)
	}
	if strconv.Itoa(got) != args[0] {
		ts.Fatalf("exit code %d, want %s", got, args[0])
	}
}

// up [FLAG…] serves ./data, each time at the same address, and sets FHIR.
func up(ts *testscript.TestScript, _ bool, flags []string) {
	p := stageOf(ts)
	p.cmd = exec.Command(binary, append([]string{"serve", "--data", ts.MkAbs("data"), "--listen", p.listen, "--admin-listen", "", "--rate-limit", "0"}, flags...)...)
	log, err := os.OpenFile(ts.MkAbs("service.log"), os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	ts.Check(err)
	defer log.Close()
	p.cmd.Stderr = log
	ts.Check(p.cmd.Start())
	cmd := p.cmd
	ts.Defer(func() {
		_ = cmd.Process.Kill() // a second time where the script ended it
		_ = cmd.Wait()
	})
	ts.Setenv("FHIR", "http://"+p.listen+"/fhir")
	for deadline := time.Now().Add(time.Minute); ; time.Sleep(10 * time.Millisecond) {
		res, err := http.Get("http://" + p.listen + "/readyz")
		if err == nil {
			res.Body.Close()
			if res.StatusCode == http.StatusOK {
				return
			}
		}
		if time.Now().After(deadline) {
			ts.Fatalf("the service does not come up: %s", ts.ReadFile("service.log"))
		}
	}
}

// down ends the service as an operator would.
func down(ts *testscript.TestScript, _ bool, _ []string) {
	p := stageOf(ts)
	ts.Check(p.cmd.Process.Signal(syscall.SIGTERM))
	ts.Check(p.cmd.Wait())
}

// gone kills it.
func gone(ts *testscript.TestScript, _ bool, _ []string) {
	p := stageOf(ts)
	ts.Check(p.cmd.Process.Kill())
	_ = p.cmd.Wait()
}

// token NAME FLAG… mints a token of ./data into a variable.
func mint(ts *testscript.TestScript, _ bool, args []string) {
	out, err := exec.Command(binary, append([]string{"token", "--data", ts.MkAbs("data")}, args[1:]...)...).Output()
	ts.Check(err)
	ts.Setenv(args[0], strings.TrimSpace(string(out)))
}

// cut SIGNAL FILE REGEXP COMMAND… runs a command until the file, which it
// writes, holds the expression (or, with +N instead of one, has grown by N
// bytes), and sends it the signal then: KILL, INT, or GONE to kill the service
// that it speaks to instead. A command that was through before is called again.
// What it prints goes to cut.out; with INT and GONE the exit code has to be 1
// and 2.
func cutOff(ts *testscript.TestScript, _ bool, args []string) {
	if len(args) < 4 {
		ts.Fatalf("usage: cut SIGNAL FILE REGEXP COMMAND…")
	}
	file := ts.MkAbs(args[1])
	var reached func() bool
	if size, ok := strings.CutPrefix(args[2], "+"); ok {
		n, err := strconv.ParseInt(size, 10, 64)
		ts.Check(err)
		if fi, err := os.Stat(file); err == nil {
			n += fi.Size()
		}
		reached = func() bool { fi, err := os.Stat(file); return err == nil && fi.Size() >= n }
	} else {
		expr := regexp.MustCompile(args[2])
		reached = func() bool {
			data, _ := os.ReadFile(file) // not there yet, or being replaced
			return expr.Match(data)
		}
	}
	for range 20 {
		var said bytes.Buffer
		cmd := exec.Command(args[3], args[4:]...)
		if args[3] == "tidemark" {
			cmd = exec.Command(binary, args[4:]...)
		}
		cmd.Dir, cmd.Stdout, cmd.Stderr = ts.MkAbs("."), &said, &said
		ts.Check(cmd.Start())
		ended := make(chan error, 1)
		go func() { ended <- cmd.Wait() }()
		through := false
		for seen := false; !seen && !through; {
			seen = reached()
			select {
			case err := <-ended:
				ts.Logf("through before it was cut off: %v %s", err, &said)
				ts.Check(err)
				through = true
			case <-time.After(time.Millisecond):
			}
		}
		if through {
			continue
		}
		want := -1
		switch args[0] {
		case "KILL":
			_ = cmd.Process.Kill()
		case "INT":
			_ = cmd.Process.Signal(syscall.SIGINT)
			want = 1
		case "GONE":
			gone(ts, false, nil)
			want = 2
		}
		err := <-ended
		if err == nil {
			ts.Logf("through when it was to be cut off")
			if args[0] == "GONE" {
				up(ts, false, nil)
			}
			continue
		}
		ts.Check(os.WriteFile(ts.MkAbs("cut.out"), said.Bytes(), 0o600))
		ts.Logf("cut off: %v\n%s", err, &said)
		if code := cmd.ProcessState.ExitCode(); code != want {
			ts.Fatalf("exit code %d, want %d", code, want)
		}
		return
	}
	ts.Fatalf("the command was through twenty times before it could be cut off")
}

// lines NAME FILE… sets a variable to the number of lines.
func lines(ts *testscript.TestScript, _ bool, args []string) {
	n := 0
	for _, name := range args[1:] {
		n += strings.Count(ts.ReadFile(name), "\n")
	}
	ts.Setenv(args[0], fmt.Sprint(n))
}

// moved HISTORY N wants N resources in a file of all versions, each in one
// version, besides those that the service writes itself.
func moved(ts *testscript.TestScript, _ bool, args []string) {
	versions := map[string]int{}
	for line := range strings.Lines(ts.ReadFile(args[0])) {
		tree, err := parse([]byte(line))
		ts.Check(err)
		at := text(tree, "request.url")
		if typ, _, _ := strings.Cut(at, "/"); !slices.Contains([]string{"AuditEvent", "DetectedIssue", "Provenance"}, typ) {
			versions[at]++
		}
	}
	for at, n := range versions {
		if n != 1 {
			ts.Fatalf("%s has %d versions", at, n)
		}
	}
	if fmt.Sprint(len(versions)) != args[1] {
		ts.Fatalf("%d resources, want %s", len(versions), args[1])
	}
}

// gate stands before the service and can hold back downloads.
type gate struct {
	shut  atomic.Bool
	asked atomic.Int64 // downloads
}

// gated up starts a proxy before the service, sets GATE to its address, and has
// it hold back the second download; gated open lets all through; gated asked N
// compares the number of downloads since it was started or opened.
func gated(ts *testscript.TestScript, _ bool, args []string) {
	p := stageOf(ts)
	switch args[0] {
	case "up":
		to, err := url.Parse("http://" + p.listen)
		ts.Check(err)
		proxy := httputil.NewSingleHostReverseProxy(to)
		l, err := net.Listen("tcp", "127.0.0.1:0")
		ts.Check(err)
		p.gate.shut.Store(true)
		srv := &http.Server{Handler: http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
			if strings.HasSuffix(r.URL.Path, ".ndjson") {
				if p.gate.asked.Add(1) > 1 && p.gate.shut.Load() {
					<-r.Context().Done()
					return
				}
			}
			proxy.ServeHTTP(w, r)
		})}
		go srv.Serve(l)
		ts.Defer(func() { srv.Close() })
		ts.Setenv("GATE", "http://"+l.Addr().String())
	case "open":
		p.gate.shut.Store(false)
		p.gate.asked.Store(0)
	case "asked":
		if got := fmt.Sprint(p.gate.asked.Load()); got != args[1] {
			ts.Fatalf("%s downloads, want %s", got, args[1])
		}
	}
}
