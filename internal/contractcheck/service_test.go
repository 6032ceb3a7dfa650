package contractcheck

import (
	"bufio"
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"
)

// service is the demonstration, running.
type service struct {
	root, token string // root is http://host:port
	client      *http.Client
}

// demo builds the program, or takes the one that TIDEMARK_BINARY names, and
// runs its demonstration until the test ends.
func demo(t *testing.T) *service {
	t.Helper()
	binary := os.Getenv("TIDEMARK_BINARY")
	if binary == "" {
		binary = filepath.Join(t.TempDir(), "tidemark")
		build := exec.Command("go", "build", "-o", binary, "./cmd/tidemark")
		build.Dir = filepath.Join("..", "..")
		if out, err := build.CombinedOutput(); err != nil {
			t.Fatalf("the program does not build: %v\n%s", err, out)
		}
	}
	cmd := exec.Command(binary, "demo", "--listen", "127.0.0.1:0", "--admin-listen", "", "--rate-limit", "0")
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	var log bytes.Buffer
	cmd.Stderr = &log
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = cmd.Process.Signal(syscall.SIGTERM)
		_, _ = io.Copy(io.Discard, out)
		if err := cmd.Wait(); err != nil {
			t.Errorf("the service ended badly: %v\n%s", err, log.String())
		}
		if strings.Contains(log.String(), "level=ERROR") {
			t.Errorf("the service's log:\n%.4000s", log.String())
		}
	})
	s := &service{client: &http.Client{Timeout: time.Minute}}
	lines := bufio.NewScanner(out)
	for lines.Scan() {
		if base, ok := strings.CutPrefix(lines.Text(), "Base URL: "); ok {
			s.root = strings.TrimSuffix(base, "/fhir")
		}
		if token, ok := strings.CutPrefix(lines.Text(), "export TOKEN="); ok {
			s.token = token
		}
		if strings.HasPrefix(lines.Text(), "Ctrl-C") {
			return s
		}
	}
	t.Fatalf("the demonstration did not come up:\n%s", log.String())
	return nil
}

// exchange is a request with its answer.
type exchange struct {
	request *http.Request
	sent    []byte
	status  int
	header  http.Header
	body    []byte
}

func (e exchange) String() string {
	return fmt.Sprintf("%s %s answered %d: %.300s", e.request.Method, e.request.URL.RequestURI(), e.status, e.body)
}

// tree is the answer as JSON.
func (e exchange) tree(t *testing.T) map[string]any {
	t.Helper()
	var out map[string]any
	if err := json.Unmarshal(e.body, &out); err != nil {
		t.Fatalf("%s: %v", e, err)
	}
	return out
}

// send makes a request; path starts with a slash and holds the query, headers
// are given in pairs.
func (s *service) send(t *testing.T, method, path string, body []byte, headers ...string) exchange {
	t.Helper()
	req := s.request(t, method, path)
	if body != nil {
		req.Body, req.ContentLength = io.NopCloser(bytes.NewReader(body)), int64(len(body))
	}
	if s.token != "" {
		req.Header.Set("Authorization", "Bearer "+s.token)
	}
	for i := 0; i+1 < len(headers); i += 2 {
		req.Header.Set(headers[i], headers[i+1])
	}
	res, err := s.client.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	got, err := io.ReadAll(res.Body)
	if err != nil {
		t.Fatal(err)
	}
	return exchange{req, body, res.StatusCode, res.Header, got}
}

func (s *service) request(t *testing.T, method, path string) *http.Request {
	t.Helper()
	r, err := http.NewRequest(method, s.root+path, nil)
	if err != nil {
		t.Fatal(err)
	}
	return r
}
