package app_test

import (
	"bytes"
	"context"
	"crypto/tls"
	"log/slog"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"tidemark/internal/app"
)

// A certificate that was renewed is shown without a restart, by itself and when
// it is asked for; one that does not belong to its key leaves the one before.
func TestCertificateReload(t *testing.T) {
	cert, key, pool := certificate(t)
	renewed, renewedKey, renewedPool := certificate(t)
	s := start(t, func(c *app.Config) { c.TLSCert, c.TLSKey = cert, key })
	shows := func(want bool) bool {
		p := pool
		if want {
			p = renewedPool
		}
		conn, err := tls.Dial("tcp", s.Addr(), &tls.Config{RootCAs: p})
		if err == nil {
			conn.Close()
		}
		return err == nil
	}
	move := func(from, to string) {
		t.Helper()
		b, err := os.ReadFile(from)
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(to, b, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	if !shows(false) {
		t.Fatal("the first certificate is not shown")
	}
	move(renewed, cert)
	s.Reload()
	if !shows(false) || !strings.Contains(s.log.String(), "cannot be used") {
		t.Error("a certificate without its key is taken, or nothing is said")
	}
	move(renewedKey, key)
	s.Reload()
	if !shows(true) {
		t.Error("the renewed certificate is not shown")
	}
	// And by itself.
	again, againKey, againPool := certificate(t)
	renewedPool = againPool
	move(again, cert)
	move(againKey, key)
	when := time.Now().Add(time.Minute)
	for _, f := range []string{cert, key} {
		if err := os.Chtimes(f, when, when); err != nil {
			t.Fatal(err)
		}
	}
	await(t, "the next certificate is shown by itself", func() bool { return shows(true) })
}

// Before the port closes, /readyz says that it will.
func TestReadyTurnsFirst(t *testing.T) {
	s := start(t, func(c *app.Config) { c.ReadyDelay = time.Minute })
	s.must(200, "GET", "/readyz", "", "")
	ended := make(chan struct{})
	a := s.App
	s.App = nil // the cleanup has nothing left to do
	ctx, cut := context.WithCancel(t.Context())
	defer cut()
	go func() { defer close(ended); _ = a.Stop(ctx) }()
	await(t, "not ready", func() bool { res, _ := s.ask("GET", "/readyz", "", ""); return res.StatusCode == 503 })
	s.must(200, "GET", "/livez", "", "") // requests are answered meanwhile
	s.http.CloseIdleConnections()
	cut()
	<-ended
}

// Behind a proxy at a path of its own: what a page leads to stays below it, and
// the proxy's word on the client's address and scheme holds, nobody else's.
func TestBehindAProxy(t *testing.T) {
	s := start(t, func(c *app.Config) {
		c.BaseURL, c.Proxies = "https://hospital.example/drains", []string{"127.0.0.1", "10.0.0.0/8"}
	})
	token := s.token("Practitioner/t")
	if doc := s.must(200, "GET", listens(s)+"/openapi.json", "", ""); !strings.Contains(doc, `"https://hospital.example/drains"`) {
		t.Error("the OpenAPI document names another server")
	}
	noFollow := &http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	for _, path := range []string{"/board", "/drains/board"} {
		res, err := noFollow.Get(listens(s) + path)
		if err != nil {
			t.Fatal(err)
		}
		res.Body.Close()
		if to := res.Header.Get("Location"); res.StatusCode != 308 || to != "board/" {
			t.Errorf("%s: %d to %q, want the folder beside it", path, res.StatusCode, to)
		}
	}
	for _, path := range []string{"/drains/board/", "/drains/docs", "/drains/livez", "/drains/fhir/metadata"} {
		s.must(200, "GET", listens(s)+path, "", "")
	}
	s.must(201, "PUT", listens(s)+"/fhir/Patient/p", token, `{"resourceType":"Patient","id":"p"}`)
	seen := func(forwarded, want string) {
		t.Helper()
		s.must(200, "GET", listens(s)+"/drains/fhir/Patient/p", token, "", "X-Forwarded-For", forwarded, "X-Forwarded-Proto", "https")
		await(t, forwarded+" is noted as "+want, func() bool {
			return strings.Contains(s.must(200, "GET", listens(s)+"/fhir/AuditEvent?_count=50&action=R", token, ""), `"address":"`+want+`"`)
		})
	}
	seen("203.0.113.7", "203.0.113.7")
	seen("198.51.100.1, 203.0.113.8, 10.1.2.3", "203.0.113.8") // what a client wrote itself does not count
	if res, body := s.ask("GET", listens(s)+"/fhir/Patient/p", token, "", "X-Forwarded-Proto", "http"); res.StatusCode != 403 || !strings.Contains(body, "without TLS") {
		t.Errorf("a token that came without TLS: %d %s", res.StatusCode, body)
	}
	if res, _ := s.ask("GET", listens(s)+"/livez", "", "", "X-Forwarded-Proto", "https"); res.Header.Get("Strict-Transport-Security") == "" {
		t.Error("no promise of TLS behind a proxy with it")
	}
}

// What the log says of a request, as JSON: the route without ids.
func TestRouteInTheLog(t *testing.T) {
	var log bytes.Buffer
	out := &text{}
	s := start(t, func(c *app.Config) {
		c.Logger = slog.New(slog.NewJSONHandler(out, &slog.HandlerOptions{Level: slog.LevelDebug}))
	})
	s.ask("GET", "/fhir/Device/d-1/$drain-output", s.token("Practitioner/t"), "")
	s.ask("GET", "/fhir/Patient/p-secret/_history/3", "", "")
	await(t, "both are logged", func() bool { return strings.Count(out.String(), `"msg":"request"`) >= 2 })
	log.WriteString(out.String())
	for _, want := range []string{`"route":"/fhir/Device/:id/$drain-output"`, `"route":"/fhir/Patient/:id/_history/:version"`} {
		if !strings.Contains(log.String(), want) {
			t.Errorf("the log lacks %s: %s", want, log.String())
		}
	}
	if strings.Contains(log.String(), "p-secret") {
		t.Error("the log names a resource")
	}
}

func TestBuildAndDisk(t *testing.T) {
	s := start(t, nil)
	res, err := http.Get("http://" + s.AdminAddr() + "/metrics")
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	var b bytes.Buffer
	if _, err := b.ReadFrom(res.Body); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{`tidemark_build_info{`, `version="test"`, "tidemark_store_bytes ", "tidemark_disk_free_bytes "} {
		if !strings.Contains(b.String(), want) {
			t.Errorf("/metrics lacks %s", want)
		}
	}
	fi, err := os.Stat(filepath.Join(s.dir, "tidemark.db"))
	if err == nil && fi.Size() == 0 {
		t.Error("the store has no size")
	}
}

// listens is where the service is, whatever its base URL says.
func listens(s *service) string { return "http://" + s.Addr() }
