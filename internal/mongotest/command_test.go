package mongotest

import (
	"bufio"
	"bytes"
	"context"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"tidemark/internal/bulk"
	"tidemark/internal/store"
	"tidemark/internal/store/sqlite"
	"tidemark/internal/store/storetest"
)

// programs is where the program is built, once; TestMain removes it.
var programs string

var build = sync.OnceValues(func() (string, error) {
	var err error
	if programs, err = os.MkdirTemp("", "tidemark-mongotest-"); err != nil {
		return "", err
	}
	file := filepath.Join(programs, "tidemark")
	if out, err := exec.Command("go", "build", "-o", file, "tidemark/cmd/tidemark").CombinedOutput(); err != nil {
		return "", fmt.Errorf("the program does not build: %w\n%s", err, out)
	}
	return file, nil
})

func tidemark(t *testing.T, args ...string) *exec.Cmd {
	t.Helper()
	if _, err := exec.LookPath("go"); err != nil {
		t.Skip("the program is built with the go command, which is not here")
	}
	file, err := build()
	if err != nil {
		t.Fatal(err)
	}
	return exec.Command(file, args...)
}

// do runs the program to its end and gives what it wrote to standard output.
func do(t *testing.T, args ...string) string {
	t.Helper()
	cmd := tidemark(t, args...)
	var said bytes.Buffer
	cmd.Stderr = &said
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("tidemark %s: %v\n%s", strings.Join(args, " "), err, said.Bytes())
	}
	return strings.TrimSpace(string(out))
}

// whole is all that a store holds, but for the numbers of its feed.
func whole(t *testing.T, s store.Store) (out []store.Version) {
	t.Helper()
	for after := int64(0); ; {
		vs := changes(t, s, after)
		if len(vs) == 0 {
			return out
		}
		after = vs[len(vs)-1].Seq
		for _, v := range vs {
			v.Seq = 0
			out = append(out, v)
		}
	}
}

// history adds what a simulated ward alone has not: several versions, a
// deletion, and a resource that was brought back.
func history(t *testing.T, s store.Store) {
	t.Helper()
	for _, w := range []store.Write{patient(t, "moved", "first"), patient(t, "moved", "second"), patient(t, "gone", "x"),
		{Key: store.Key{Type: "Patient", ID: "gone"}, Method: store.Delete}, {Key: store.Key{Type: "Patient", ID: "moved"}, Method: store.Delete}, patient(t, "moved", "back")} {
		commit(t, s, w)
	}
}

// TestMove moves a store to MongoDB and one that was made there to the
// embedded engine, by the commands that OPERATING.md of the store names, and compares
// every version of every resource.
func TestMove(t *testing.T) {
	srv := Start(t)
	dir := t.TempDir()
	at := func(name string) string { return filepath.Join(dir, name) }
	embedded := func(name string) *sqlite.Store {
		s, err := sqlite.Open(context.Background(), sqlite.Options{Dir: at(name), Extract: storetest.Extract, Clock: time.Now, Logger: slog.New(slog.DiscardHandler)})
		if err != nil {
			t.Fatal(err)
		}
		return s
	}
	do(t, "simulate", "--patients", "2", "--days", "1", "--end", "2026-03-01T12:00:00Z", "--out", at("ward.ndjson"))
	for _, from := range []struct{ name, from, to string }{
		{"to MongoDB", "embedded", "mongo"},
		{"from MongoDB", "mongo", "embedded"},
	} {
		t.Run(from.name, func(t *testing.T) {
			names := map[string][]string{"embedded": {"--data", at(from.to + "-e")}, "mongo": {"--store", srv.URL("move_" + from.to)}}
			open := func(kind string) store.Store {
				if kind == "mongo" {
					return open(t, options(names["mongo"][1])).Store
				}
				return embedded(from.to + "-e")
			}
			do(t, append([]string{"import", at("ward.ndjson")}, names[from.from]...)...)
			s := open(from.from)
			history(t, s)
			want := whole(t, s)
			if err := s.Close(); err != nil {
				t.Fatal(err)
			}
			there, back := at(from.to+"-there"), at(from.to+"-back")
			do(t, append([]string{"export", "--versions", "--out", there}, names[from.from]...)...)
			do(t, append([]string{"import", "--versions", there}, names[from.to]...)...)
			s = open(from.to)
			got := whole(t, s)
			if err := s.Close(); err != nil {
				t.Fatal(err)
			}
			if d := cmp.Diff(want, got); d != "" {
				t.Error(d)
			}
			deleted, several := 0, 0
			for _, v := range got {
				if v.Deleted() {
					deleted++
				}
				if v.Number > 1 {
					several++
				}
			}
			if len(got) < 80 || deleted == 0 || several == 0 {
				t.Errorf("%d versions, %d deletions, %d later ones: the test tries too little", len(got), deleted, several)
			}
			do(t, append([]string{"export", "--versions", "--out", back}, names[from.to]...)...)
			a, err := os.ReadFile(filepath.Join(there, bulk.HistoryFile))
			if err != nil {
				t.Fatal(err)
			}
			b, err := os.ReadFile(filepath.Join(back, bulk.HistoryFile))
			if err != nil {
				t.Fatal(err)
			}
			if !bytes.Equal(a, b) {
				t.Error("the files of both stores differ")
			}
			t.Logf("%d versions, %d bytes", len(got), len(a))
		})
	}
}

// serving starts the program on a server, and gives what asks it.
func serving(t *testing.T, srv *Server) (ask func(method, path, body string) (int, http.Header, string)) {
	t.Helper()
	dir := t.TempDir()
	cmd := tidemark(t, "serve", "--data", dir, "--listen", "127.0.0.1:0", "--admin-listen", "", "--store", srv.URL("tidemark")+"?serverSelectionTimeoutMS=500")
	errs, err := cmd.StderrPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = cmd.Process.Kill(); _ = cmd.Wait() }) // it may have ended, and says that it was killed
	started := make(chan string, 1)
	go func() {
		defer close(started)
		for in := bufio.NewScanner(errs); in.Scan(); {
			if _, base, ok := strings.Cut(in.Text(), "msg=serving base="); ok {
				started <- strings.TrimSuffix(base, "/fhir")
			}
		}
	}()
	base := <-started
	if base == "" {
		t.Fatal("the program does not serve")
	}
	token := do(t, "token", "--data", dir, "--role", "integration")
	return func(method, path, body string) (int, http.Header, string) {
		t.Helper()
		r, err := http.NewRequest(method, base+path, strings.NewReader(body))
		if err != nil {
			t.Fatal(err)
		}
		r.Header = http.Header{"Authorization": {"Bearer " + token}, "Content-Type": {"application/fhir+json"}}
		a, err := http.DefaultClient.Do(r)
		if err != nil {
			t.Fatal(err)
		}
		defer a.Body.Close()
		b, err := io.ReadAll(a.Body)
		if err != nil {
			t.Fatal(err)
		}
		return a.StatusCode, a.Header, string(b)
	}
}

// TestDoubtReachesTheClient: who sent a write that may have been kept is told so,
// and not to try again as if it had not; a repetition with the same identifier
// is told the same, and in the end finds one entry.
func TestDoubtReachesTheClient(t *testing.T) {
	srv := Start(t)
	ask := serving(t, srv)
	eventually(t, "the program is ready", func() bool { status, _, _ := ask("GET", "/readyz", ""); return status == 200 })
	srv.StopAfter("insert version")
	person := `{"resourceType":"Patient","id":"p1"}`
	status, h, body := ask("PUT", "/fhir/Patient/p1", person)
	if status != 503 || h.Get("Retry-After") == "" || !strings.Contains(body, "it is in doubt") || strings.Contains(body, "in time") {
		t.Errorf("a write whose answer was lost: %d %v %s", status, h, body)
	}
	status, _, body = ask("PUT", "/fhir/Patient/p2", `{"resourceType":"Patient","id":"p2"}`)
	if status != 503 || !strings.Contains(body, "The database cannot be reached") {
		t.Errorf("a write without the server: %d %s", status, body)
	}
	srv.Resume()
	eventually(t, "the write is found", func() bool { status, _, _ := ask("GET", "/fhir/Patient/p1", ""); return status == 200 })
	if status, _, body := ask("GET", "/fhir/Patient/p2", ""); status != 404 {
		t.Errorf("what was refused was written: %d %s", status, body)
	}
}

// TestReadyAgain: the program says that it is not ready while the server is
// away, refuses with advice, and comes back without a restart.
func TestReadyAgain(t *testing.T) {
	srv := Start(t)
	ask := serving(t, srv)
	person := func(n int) (path, body string) {
		return fmt.Sprintf("/fhir/Patient/p%d", n), fmt.Sprintf(`{"resourceType":"Patient","id":"p%d"}`, n)
	}
	put := func(n int) (int, http.Header, string) { path, body := person(n); return ask("PUT", path, body) }
	ready := func() bool { status, _, _ := ask("GET", "/readyz", ""); return status == 200 }
	eventually(t, "the program is ready", ready)
	for n := range 2 {
		if status, _, body := put(n); status != 201 {
			t.Fatalf("a write is answered %d: %s", status, body)
		}
		srv.Stop()
		eventually(t, "the program sees that the server is away", func() bool { return !ready() })
		if status, _, body := ask("GET", "/readyz", ""); status != 503 || strings.Contains(body, "mongodb://") {
			t.Errorf("/readyz without the server: %d %s", status, body)
		}
		if status, _, _ := ask("GET", "/livez", ""); status != 200 {
			t.Errorf("/livez says %d, though a restart would not bring the server back", status)
		}
		path, _ := person(n)
		if status, h, body := ask("GET", path, ""); status != 503 || h.Get("Retry-After") == "" || !strings.Contains(body, "try again") {
			t.Errorf("a read without the server: %d %v %s", status, h, body)
		}
		if status, h, body := put(10 + n); status != 503 || h.Get("Retry-After") == "" || !strings.Contains(body, "try again") {
			t.Errorf("a write without the server: %d %v %s", status, h, body)
		}
		srv.Resume()
		eventually(t, "the program is ready again", ready)
		if status, _, body := ask("GET", path, ""); status != 200 {
			t.Errorf("what was acknowledged before is read with %d: %s", status, body)
		}
		if status, _, body := put(10 + n); status != 201 {
			t.Errorf("what was refused was written, or cannot be now: %d %s", status, body)
		}
	}
}
