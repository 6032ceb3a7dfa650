package crash

import (
	"bufio"
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"tidemark/internal/auth"
)

// binary is the program under test, built once.
var binary string

// shared is the URL of a MongoDB deployment that takes the place of the
// embedded store, with options and a database or without. Each test has a
// database of its own in it, whose name begins with the URL's.
var shared = os.Getenv("TIDEMARK_CRASH_STORE")

// embeddedOnly is for what is about the data file.
func embeddedOnly(t *testing.T) {
	t.Helper()
	if shared != "" {
		t.Skip("this is about the embedded store")
	}
}

// storeOf is the URL of the store of a data directory, "" for the embedded one.
func storeOf(dir string) string {
	if shared == "" {
		return ""
	}
	sum := sha256.Sum256([]byte(dir))
	return inDatabase(shared, "crash_"+hex.EncodeToString(sum[:8]))
}

// inDatabase adds a name to the database of a MongoDB URL, which keeps its
// hosts, of which there may be several, and its options.
func inDatabase(url, name string) string {
	scheme, rest, _ := strings.Cut(url, "://")
	rest, query, options := strings.Cut(rest, "?")
	hosts, database, _ := strings.Cut(rest, "/")
	if database != "" {
		name = database + "_" + name
		// Who logs in without an authSource does so at the database of the URL.
		if strings.Contains(hosts, "@") && !strings.Contains(query, "authSource=") {
			query, options = strings.TrimPrefix(query+"&authSource="+database, "&"), true
		}
	}
	if options {
		name += "?" + query
	}
	return scheme + "://" + hosts + "/" + name
}

func TestInDatabase(t *testing.T) {
	for url, want := range map[string]string{
		"mongodb://h:1":  "mongodb://h:1/x",
		"mongodb://h:1/": "mongodb://h:1/x",
		"mongodb://u:p%2F@a,b/ward?replicaSet=rs0&authSource=admin": "mongodb://u:p%2F@a,b/ward_x?replicaSet=rs0&authSource=admin",
		"mongodb+srv://h/?tls=true":                                 "mongodb+srv://h/x?tls=true",
		"mongodb://u:p@h/ward":                                      "mongodb://u:p@h/ward_x?authSource=ward",
	} {
		if got := inDatabase(url, "x"); got != want {
			t.Errorf("%s: %s, want %s", url, got, want)
		}
	}
}

func TestMain(m *testing.M) { os.Exit(run(m)) }

func run(m *testing.M) int {
	dir, err := os.MkdirTemp("", "tidemark-crash-")
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
	return m.Run()
}

// process is one run of the program.
type process struct {
	cmd    *exec.Cmd
	base   string // …/fhir, "" when it ended before it served
	ended  chan struct{}
	err    error // of Wait, once ended
	mu     sync.Mutex
	output bytes.Buffer
}

func (p *process) said() string {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.output.String()
}

// code is the exit code of a process that has ended; −1 when a signal ended it.
func (p *process) code() int {
	<-p.ended
	return p.cmd.ProcessState.ExitCode()
}

// over reports whether the process has ended.
func (p *process) over() bool {
	select {
	case <-p.ended:
		return true
	default:
		return false
	}
}

// strike kills the process without waiting for its end.
func (p *process) strike() { _ = p.cmd.Process.Kill() } // fails only when it has ended

func (p *process) kill() {
	p.strike()
	<-p.ended
}

// terminate asks the process to end and gives its exit code.
func (p *process) terminate(t *testing.T) int {
	t.Helper()
	if err := p.cmd.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	select {
	case <-p.ended:
	case <-time.After(time.Minute):
		t.Fatal("a minute after SIGTERM the program still runs")
	}
	return p.code()
}

func serveArgs(dir string, more ...string) []string {
	args := []string{"serve", "--data", dir, "--listen", "127.0.0.1:0", "--admin-listen", "", "--rate-limit", "0"}
	if store := storeOf(dir); store != "" {
		args = append(args, "--store", store)
	}
	return append(args, more...)
}

// begin starts the program without waiting for it.
func begin(t *testing.T, name string, args ...string) (p *process, serving chan string) {
	t.Helper()
	p = &process{cmd: exec.Command(name, args...), ended: make(chan struct{})}
	errs, err := p.cmd.StderrPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := p.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	serving = make(chan string, 1)
	go func() {
		for sc := bufio.NewScanner(errs); sc.Scan(); {
			p.mu.Lock()
			p.output.WriteString(sc.Text() + "\n")
			p.mu.Unlock()
			if _, base, ok := strings.Cut(sc.Text(), "msg=serving base="); ok {
				serving <- base
			}
		}
		p.err = p.cmd.Wait()
		close(p.ended)
	}()
	t.Cleanup(p.kill)
	return p, serving
}

// start starts the program and waits until it serves or has ended.
func start(t *testing.T, name string, args ...string) *process {
	t.Helper()
	p, serving := begin(t, name, args...)
	select {
	case p.base = <-serving:
	case <-p.ended:
	case <-time.After(time.Minute):
		t.Fatalf("after a minute the program neither serves nor has ended:\n%s", p.said())
	}
	return p
}

// serve is start for a data directory that must be served.
func serve(t *testing.T, dir string) *process {
	t.Helper()
	p := start(t, binary, serveArgs(dir)...)
	if p.base == "" {
		t.Fatalf("the program does not serve: exit code %d\n%s", p.code(), p.said())
	}
	return p
}

// token is one that may do everything.
func token(t *testing.T, dir string) string { return mintAt(t, dir, time.Now()) }

// mintAt is a token made at a time.
func mintAt(t *testing.T, dir string, at time.Time) string {
	t.Helper()
	scope, _ := auth.RoleScope("integration")
	return mint(t, dir, scope, at)
}

// mintFor is a token of other scopes.
func mintFor(t *testing.T, dir, scope string) string {
	t.Helper()
	return mint(t, dir, scope, time.Now())
}

func mint(t *testing.T, dir, scope string, at time.Time) string {
	t.Helper()
	key, err := auth.OpenLocalKey(dir)
	if err != nil {
		t.Fatal(err)
	}
	tok, err := key.Mint(auth.TokenRequest{Subject: "Practitioner/crash", Scope: scope, TTL: 72 * time.Hour, Now: at})
	if err != nil {
		t.Fatal(err)
	}
	return tok
}

// client asks a service. It is cheap; each goroutine may have its own.
type client struct {
	base, token string
	http        *http.Client
}

func dial(base, token string) *client {
	patience := 30 * time.Second
	if shared != "" {
		patience = 5 * time.Minute // the server may be slow, and a dead process's identifier is waited for
	}
	return &client{base, token, &http.Client{Timeout: patience, Transport: &http.Transport{MaxIdleConnsPerHost: 1}}}
}

type obj = map[string]any
type list = []any

// answer is what came back.
type answer struct {
	status int
	header http.Header
	body   []byte
}

// do sends a request; headers come in pairs. An error means that nobody knows
// what became of it.
func (c *client) do(method, path string, body any, header ...string) (answer, error) {
	var in io.Reader
	if body != nil {
		b, err := json.Marshal(body)
		if err != nil {
			return answer{}, err
		}
		in = bytes.NewReader(b)
	}
	if !strings.HasPrefix(path, "http") {
		path = c.base + path
	}
	r, err := http.NewRequest(method, path, in)
	if err != nil {
		return answer{}, err
	}
	r.Header.Set("Authorization", "Bearer "+c.token)
	if body != nil {
		r.Header.Set("Content-Type", "application/fhir+json")
	}
	for i := 0; i+1 < len(header); i += 2 {
		r.Header.Set(header[i], header[i+1])
	}
	res, err := c.http.Do(r)
	if err != nil {
		return answer{}, err
	}
	defer res.Body.Close()
	a := answer{status: res.StatusCode, header: res.Header}
	if a.body, err = io.ReadAll(res.Body); err != nil {
		return a, err
	}
	return a, nil
}

// must is do for a service that is up: the status has to come.
func (c *client) must(t *testing.T, status int, method, path string, body any, header ...string) answer {
	t.Helper()
	a, err := c.do(method, path, body, header...)
	if err != nil {
		t.Fatalf("%s %s: %v", method, path, err)
	}
	if a.status != status {
		t.Fatalf("%s %s: %d instead of %d: %s", method, path, a.status, status, a.clip())
	}
	return a
}

func (a answer) clip() string { return string(a.body[:min(len(a.body), 600)]) }

func (a answer) decode(t *testing.T, v any) {
	t.Helper()
	if err := json.Unmarshal(a.body, v); err != nil {
		t.Fatalf("%v: %s", err, a.clip())
	}
}

// bundle is what is read of a Bundle.
type bundle struct {
	Total *int
	Link  []struct{ Relation, URL string }
	Entry []struct {
		FullURL  string
		Request  struct{ Method, URL string }
		Response struct{ ETag, LastModified string }
		Resource resource
	}
}

// resource is what is read of any resource.
type resource struct {
	ResourceType, ID, Status string
	Meta                     struct{ VersionID, LastUpdated string }
	ValueQuantity            struct{ Value json.Number }
	Code                     struct {
		Coding []struct{ System, Code string }
	}
	Implicated []struct{ Reference string }
	Evidence   []struct {
		Code []struct {
			Coding []struct{ System, Code string }
		}
	}
	IdentifiedPeriod struct{ Start, End string }
	Entity           []struct {
		What struct{ Identifier struct{ Value string } }
	}
}

// all follows the pages of a search or history.
func (c *client) all(t *testing.T, path string, each func(b bundle)) {
	t.Helper()
	for path != "" {
		var b bundle
		c.must(t, 200, "GET", path, nil).decode(t, &b)
		each(b)
		path = ""
		for _, l := range b.Link {
			if l.Relation == "next" {
				path = l.URL
			}
		}
	}
}

// oneLine checks that an ended program said one line, with exit code 2, that
// holds the words.
func (p *process) oneLine(t *testing.T, words ...string) {
	t.Helper()
	if p.base != "" {
		t.Fatalf("the program serves")
	}
	if p.code() != 2 {
		t.Errorf("exit code %d instead of 2", p.code())
	}
	said := strings.TrimSpace(p.said())
	if strings.Contains(said, "\n") || said == "" {
		t.Errorf("not one line:\n%s", said)
	}
	for _, w := range words {
		if !strings.Contains(said, w) {
			t.Errorf("the line does not say %q:\n%s", w, said)
		}
	}
	t.Log(said)
}
