package blackbox

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"
)

// binary is the program under test, built once; TIDEMARK_BINARY names a ready
// one instead.
var binary = os.Getenv("TIDEMARK_BINARY")

func TestMain(m *testing.M) { os.Exit(run(m)) }

func run(m *testing.M) int {
	if binary == "" {
		dir, err := os.MkdirTemp("", "tidemark-blackbox-")
		if err != nil {
			fmt.Fprintln(os.Stderr, err)
			return 1
		}
		defer os.RemoveAll(dir)
		binary = filepath.Join(dir, "tidemark")
		build := exec.Command("go", "build", "-o", binary, "./cmd/tidemark")
		build.Dir = filepath.Join("..", "..")
		if out, err := build.CombinedOutput(); err != nil {
			fmt.Fprintf(os.Stderr, "the program does not build: %v\n%s", err, out)
			return 1
		}
	}
	return m.Run()
}

// service is one running process of the program with a directory of its own.
type service struct {
	t    testing.TB
	dir  string
	base string // …/fhir
	cmd  *exec.Cmd
	log  *record
	exit chan error
	// mayFail silences the check of the log, for tests that break things.
	mayFail bool
}

// record keeps what a process wrote.
type record struct {
	mu sync.Mutex
	b  strings.Builder
}

func (r *record) add(line string) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.b.WriteString(line + "\n")
}

func (r *record) String() string {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.b.String()
}

// serve starts the service on a fresh data directory and stops it at the end
// of the test, whose log then must hold no panic and no error.
func serve(t testing.TB, flags ...string) *service {
	t.Helper()
	return serveIn(t, t.TempDir(), flags...)
}

var servingLine = regexp.MustCompile(`msg=serving base=(\S+)`)

func serveIn(t testing.TB, dir string, flags ...string) *service {
	t.Helper()
	s := &service{t: t, dir: dir}
	args := append([]string{"serve", "--data", dir, "--listen", "127.0.0.1:0", "--admin-listen", "", "--rate-limit", "0"}, flags...)
	s.launch(args, servingLine, "stderr")
	t.Cleanup(s.stop)
	return s
}

// launch starts the program and waits until a line of the stream gives the
// base URL.
func (s *service) launch(args []string, line *regexp.Regexp, stream string) {
	t := s.t
	t.Helper()
	s.cmd = exec.Command(binary, args...)
	s.cmd.Env = append(os.Environ(), "TZ=UTC")
	stderr, err := s.cmd.StderrPipe()
	if err != nil {
		t.Fatal(err)
	}
	stdout, err := s.cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := s.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	s.log, s.exit = &record{}, make(chan error, 1)
	found := make(chan string, 1)
	var readers sync.WaitGroup
	follow := func(r io.Reader, watch bool) {
		defer readers.Done()
		in := bufio.NewScanner(r)
		in.Buffer(nil, 1<<20)
		for in.Scan() {
			s.log.add(in.Text())
			if m := line.FindStringSubmatch(in.Text()); watch && m != nil {
				select {
				case found <- m[1]:
				default:
				}
			}
		}
	}
	readers.Add(2)
	go follow(stderr, stream == "stderr")
	go follow(stdout, stream == "stdout")
	go func() {
		readers.Wait()
		s.exit <- s.cmd.Wait()
	}()
	select {
	case s.base = <-found:
	case err := <-s.exit:
		t.Fatalf("tidemark %s ended: %v\n%s", strings.Join(args, " "), err, s.log)
	case <-time.After(30 * time.Second):
		_ = s.cmd.Process.Kill()
		t.Fatalf("tidemark %s did not come up\n%s", strings.Join(args, " "), s.log)
	}
}

// stop ends the service as an operator would, and reads its log.
func (s *service) stop() {
	if s.cmd == nil {
		return
	}
	_ = s.cmd.Process.Signal(syscall.SIGTERM)
	select {
	case err := <-s.exit:
		if err != nil {
			s.t.Errorf("SIGTERM must end the service with exit code 0: %v", err)
		}
	case <-time.After(30 * time.Second):
		_ = s.cmd.Process.Kill()
		s.t.Error("the service did not end within 30 s of SIGTERM")
	}
	s.cmd = nil
	s.checkLog()
}

// kill ends the service without warning.
func (s *service) kill() {
	_ = s.cmd.Process.Kill()
	<-s.exit
	s.cmd = nil
	s.checkLog()
}

func (s *service) checkLog() {
	if s.mayFail {
		return
	}
	for _, l := range strings.Split(s.log.String(), "\n") {
		if strings.Contains(l, "level=ERROR") || strings.Contains(l, "panic") || strings.Contains(l, "DATA RACE") || strings.Contains(l, "goroutine ") {
			s.t.Errorf("the service's log: %.2000s", l)
		}
	}
}

// token mints a bearer token with the program itself.
func (s *service) token(args ...string) string {
	s.t.Helper()
	out, err := exec.Command(binary, append([]string{"token", "--data", s.dir}, args...)...).Output()
	if err != nil {
		s.t.Fatalf("tidemark token %s: %v", strings.Join(args, " "), err)
	}
	return strings.TrimSpace(string(out))
}

// client speaks to the service with all rights.
func (s *service) client() *client {
	s.t.Helper()
	return s.clientWith(s.token("--scope", "system/*.cruds"))
}

func (s *service) clientWith(token string) *client {
	return &client{t: s.t, base: s.base, token: token, http: plainHTTP()}
}

// plainHTTP neither follows redirects nor unpacks bodies on its own.
func plainHTTP() *http.Client {
	return &http.Client{
		Timeout:       60 * time.Second,
		Transport:     &http.Transport{MaxIdleConnsPerHost: 64, DisableCompression: true},
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}
}

// sandbox is where the references beside the project lie; tests that read
// them skip where they are absent.
func sandbox(t *testing.T, elem ...string) string {
	t.Helper()
	p := filepath.Join(append([]string{"..", "..", "..", "shared"}, elem...)...)
	if _, err := os.Stat(p); err != nil {
		t.Skipf("skipped: %s is not here", p)
	}
	return p
}

// shell runs a script as a user would paste it.
func shell(ctx context.Context, script string) (string, error) {
	out, err := exec.CommandContext(ctx, "bash", "-c", script).CombinedOutput()
	return string(out), err
}
