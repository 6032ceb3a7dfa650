package app_test

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"tidemark/internal/app"
	"tidemark/internal/auth"
)

// service is the whole service on ports of its own, over a store of its own.
type service struct {
	*app.App
	t    *testing.T
	dir  string
	log  *text
	url  string // without /fhir
	http *http.Client
}

// text is a log that may be read while it is written.
type text struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (x *text) Write(p []byte) (int, error) { x.mu.Lock(); defer x.mu.Unlock(); return x.b.Write(p) }
func (x *text) String() string              { x.mu.Lock(); defer x.mu.Unlock(); return x.b.String() }

// clock is the real time, moved.
type clock struct{ ahead atomic.Int64 }

func (c *clock) Now() time.Time      { return time.Now().Add(time.Duration(c.ahead.Load())) }
func (c *clock) add(d time.Duration) { c.ahead.Add(int64(d)) }

func config(t *testing.T) app.Config {
	return app.Config{Listen: "127.0.0.1:0", AdminListen: "127.0.0.1:0", Data: filepath.Join(t.TempDir(), "data"), Version: "test"}
}

// start runs the service until the test ends.
func start(t *testing.T, change func(*app.Config)) *service {
	t.Helper()
	s := &service{t: t, log: &text{}, http: &http.Client{Transport: &http.Transport{}}}
	cfg := config(t)
	cfg.Logger = slog.New(slog.NewTextHandler(s.log, &slog.HandlerOptions{Level: slog.LevelDebug}))
	if change != nil {
		change(&cfg)
	}
	s.dir = cfg.Data
	a, err := app.New(context.Background(), cfg)
	if err != nil {
		t.Fatal(err)
	}
	s.App, s.url = a, strings.TrimSuffix(a.Base(), "/fhir")
	a.Start()
	t.Cleanup(s.stop)
	return s
}

// stop ends the service; once is enough.
func (s *service) stop() {
	if s.App == nil {
		return
	}
	s.http.CloseIdleConnections()
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	if err := s.Stop(ctx); err != nil {
		s.t.Errorf("stop: %v", err)
	}
	s.App = nil
}

// token is a local token of a subject with all rights, or with those given.
func (s *service) token(subject string, scope ...string) string {
	s.t.Helper()
	r := auth.TokenRequest{Subject: subject, Scope: strings.Join(scope, " "), TTL: 24 * time.Hour}
	if len(scope) == 0 {
		r.Scope = "system/*.cruds"
	}
	tok, err := s.Key().Mint(r)
	if err != nil {
		s.t.Fatal(err)
	}
	return tok
}

// ask sends a request and gives the answer with its body read.
func (s *service) ask(method, path, token, body string, header ...string) (*http.Response, string) {
	s.t.Helper()
	url := path
	if strings.HasPrefix(path, "/") {
		url = s.url + path
	}
	req, err := http.NewRequest(method, url, strings.NewReader(body))
	if err != nil {
		s.t.Fatal(err)
	}
	if token != "" {
		req.Header.Set("Authorization", "Bearer "+token)
	}
	if body != "" {
		req.Header.Set("Content-Type", "application/fhir+json")
	}
	for i := 0; i < len(header); i += 2 {
		req.Header.Set(header[i], header[i+1])
	}
	res, err := s.http.Do(req)
	if err != nil {
		s.t.Fatal(err)
	}
	defer res.Body.Close()
	b, err := io.ReadAll(res.Body)
	if err != nil {
		s.t.Fatal(err)
	}
	return res, string(b)
}

func (s *service) must(want int, method, path, token, body string, header ...string) string {
	s.t.Helper()
	res, b := s.ask(method, path, token, body, header...)
	if res.StatusCode != want {
		s.t.Fatalf("%s %s: %d, want %d: %s", method, path, res.StatusCode, want, b)
	}
	return b
}

// await waits until the condition holds. The limit only ends a test that
// would never end.
func await(t *testing.T, what string, holds func() bool) {
	t.Helper()
	for end := time.Now().Add(2 * time.Minute); !holds(); time.Sleep(10 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("waited in vain: %s", what)
		}
	}
}

// drain registers a patient with a drain, placed two days before now.
func (s *service) drain(token, id, name string, now time.Time) {
	s.t.Helper()
	s.must(201, "PUT", "/fhir/Patient/p-"+id, token, fmt.Sprintf(`{"resourceType":"Patient","id":"p-%s","name":[{"family":%q}]}`, id, name))
	s.must(201, "PUT", "/fhir/Device/d-"+id, token, fmt.Sprintf(`{"resourceType":"Device","id":"d-%s","status":"active","patient":{"reference":"Patient/p-%s"}}`, id, id))
	s.must(201, "PUT", "/fhir/DeviceUseStatement/u-"+id, token, fmt.Sprintf(`{"resourceType":"DeviceUseStatement","id":"u-%s","status":"active","subject":{"reference":"Patient/p-%s"},"device":{"reference":"Device/d-%s"},"timingPeriod":{"start":%q}}`,
		id, id, id, now.Add(-48*time.Hour).Format(time.RFC3339)))
}

// emptying is an entry for the drain of that id.
func emptying(drain, note string, at time.Time) string {
	return fmt.Sprintf(`{"resourceType":"Observation","status":"final","code":{"coding":[{"system":"http://loinc.org","code":"9203-1"}]},"subject":{"reference":"Patient/p-%s"},"device":{"reference":"Device/d-%s"},"effectiveDateTime":%q,"valueQuantity":{"value":30,"unit":"mL","system":"http://unitsofmeasure.org","code":"mL"},"note":[{"text":%q}]}`,
		drain, drain, at.UTC().Format(time.RFC3339), note)
}

// TestRefusedAtStart: what cannot be served is said before anything is, in a
// sentence that names the flag to change.
func TestRefusedAtStart(t *testing.T) {
	busy := start(t, nil)
	faulty := filepath.Join(t.TempDir(), "policy.yaml")
	if err := os.WriteFile(faulty, []byte("removal:\n  output: lots\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name, want string
		change     func(*app.Config)
	}{
		{"address in use", "choose another --listen", func(c *app.Config) { c.Listen = busy.Addr() }},
		{"admin address in use", "--admin-listen=", func(c *app.Config) { c.AdminListen = busy.AdminAddr() }},
		{"faulty policy", "removal.output", func(c *app.Config) { c.Policy = faulty }},
		{"no policy", "policy", func(c *app.Config) { c.Policy = faulty + ".not" }},
		{"half of TLS", "--tls-cert and --tls-key", func(c *app.Config) { c.TLSCert = "cert.pem" }},
		{"not a store", "mongodb://", func(c *app.Config) { c.Store = "postgres://x" }},
		{"issuer without audience", "--audience", func(c *app.Config) { c.Issuer = "http://127.0.0.1:1" }},
		{"issuer away", "--issuer http://127.0.0.1:1", func(c *app.Config) { c.Issuer, c.Audience, c.Patience = "http://127.0.0.1:1", "a", 1 }},
		{"audience without issuer", "--audience", func(c *app.Config) { c.Audience = "a" }},
		{"base that is none", "--base-url", func(c *app.Config) { c.BaseURL = "foo" }},
		{"base with a query", "--base-url", func(c *app.Config) { c.BaseURL = "https://x.example.org/?a=b" }},
		{"base with fhir", "leave it out", func(c *app.Config) { c.BaseURL = "https://x.example.org/fhir/" }},
		{"every origin", "--allow-origin", func(c *app.Config) { c.Origins = []string{"*"} }},
		{"origin with a path", "--allow-origin", func(c *app.Config) { c.Origins = []string{"https://x.example.org/page"} }},
		{"proxy that is none", "--trusted-proxy", func(c *app.Config) { c.Proxies = []string{"proxy.example.org"} }},
		{"key of another certificate", "--tls-key", func(c *app.Config) {
			cert, _, _ := certificate(t)
			_, key, _ := certificate(t)
			c.TLSCert, c.TLSKey = cert, key
		}},
		{"receiver that is none", "--webhook-allow", func(c *app.Config) { c.Webhooks = []string{"http://x/"} }},
	} {
		t.Run(c.name, func(t *testing.T) {
			cfg := config(t)
			cfg.Logger = slog.New(slog.DiscardHandler)
			c.change(&cfg)
			a, err := app.New(context.Background(), cfg)
			if err == nil {
				a.Start()
				a.Stop(context.Background())
				t.Fatal("it was served")
			}
			if !strings.Contains(err.Error(), c.want) {
				t.Errorf("the error %q does not name %q", err, c.want)
			}
		})
	}
}

// TestStopFinishesRequests: what was taken up before the end is answered and
// kept, what comes later is not taken up.
func TestStopFinishesRequests(t *testing.T) {
	s := start(t, nil)
	token, now := s.token("Practitioner/t"), time.Now()
	s.drain(token, "1", "Alder", now)
	in, out := io.Pipe()
	req, err := http.NewRequest("POST", s.url+"/fhir/Observation", in)
	if err != nil {
		t.Fatal(err)
	}
	req.Header.Set("Authorization", "Bearer "+token)
	req.Header.Set("Content-Type", "application/fhir+json")
	type answer struct {
		status int
		body   string
		err    error
	}
	answered := make(chan answer, 1)
	go func() {
		res, err := (&http.Client{Transport: &http.Transport{}}).Do(req)
		if err != nil {
			answered <- answer{err: err}
			return
		}
		defer res.Body.Close()
		b, err := io.ReadAll(res.Body)
		answered <- answer{res.StatusCode, string(b), err}
	}()
	body := emptying("1", "half now, half later", now)
	// Once a part of the body is through, the request has been taken up: its
	// headers went before.
	if _, err := io.WriteString(out, body[:20]); err != nil {
		t.Fatal(err)
	}
	await(t, "the request is under way", func() bool {
		_, m := s.ask("GET", "http://"+s.AdminAddr()+"/debug/pprof/goroutine?debug=2", "", "")
		return strings.Contains(m, "readBody")
	})
	stopped := make(chan error, 1)
	go func() { stopped <- s.Stop(context.Background()) }()
	await(t, "the service takes up nothing new", func() bool {
		res, err := (&http.Client{Transport: &http.Transport{}}).Get(s.url + "/livez")
		if err == nil {
			res.Body.Close()
		}
		return err != nil
	})
	select {
	case err := <-stopped:
		t.Fatalf("it stopped with a request under way: %v", err)
	default:
	}
	if _, err := io.WriteString(out, body[20:]); err != nil {
		t.Fatal(err)
	}
	out.Close()
	a := <-answered
	if a.err != nil || a.status != 201 {
		t.Errorf("the request under way: %d %s %v", a.status, a.body, a.err)
	}
	if err := <-stopped; err != nil {
		t.Errorf("stop: %v", err)
	}
	s.App = nil
	var kept struct{ ID string }
	if err := json.Unmarshal([]byte(a.body), &kept); err != nil {
		t.Fatal(err)
	}
	again := start(t, func(c *app.Config) { c.Data = s.dir })
	again.must(200, "GET", "/fhir/Observation/"+kept.ID, again.token("Practitioner/t"), "")
}

// TestStopCutsOff: the end comes at the end of the time given, however long a
// client takes, and says so; the client is let go of.
func TestStopCutsOff(t *testing.T) {
	s := start(t, func(c *app.Config) { c.RequestTime = time.Hour })
	conn, err := net.Dial("tcp", s.Addr())
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	fmt.Fprintf(conn, "POST /fhir/Observation HTTP/1.1\r\nHost: x\r\nAuthorization: Bearer %s\r\nContent-Length: 100\r\n\r\n{", s.token("Practitioner/t"))
	await(t, "the request is under way", func() bool {
		_, m := s.ask("GET", "http://"+s.AdminAddr()+"/debug/pprof/goroutine?debug=2", "", "")
		return strings.Contains(m, "readBody")
	})
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if err := s.Stop(ctx); err == nil || !strings.Contains(err.Error(), "cut off") {
		t.Errorf("stop: %v", err)
	}
	s.App = nil
	if err := conn.SetReadDeadline(time.Now().Add(time.Minute)); err != nil {
		t.Fatal(err)
	}
	if _, err := io.Copy(io.Discard, conn); errors.Is(err, os.ErrDeadlineExceeded) {
		t.Error("the connection is still open")
	}
}
