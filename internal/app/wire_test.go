package app_test

import (
	"bufio"
	"bytes"
	"compress/gzip"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/json"
	"encoding/pem"
	"errors"
	"fmt"
	"io"
	"math/big"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"tidemark/internal/app"
)

// certificate makes one for 127.0.0.1, and the pool that trusts it.
func certificate(t *testing.T) (cert, key string, pool *x509.CertPool) {
	t.Helper()
	private, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	tmpl := &x509.Certificate{
		SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "test"}, IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(24 * time.Hour),
	}
	der, err := x509.CreateCertificate(rand.Reader, tmpl, tmpl, private.Public(), private)
	if err != nil {
		t.Fatal(err)
	}
	secret, err := x509.MarshalPKCS8PrivateKey(private)
	if err != nil {
		t.Fatal(err)
	}
	write := func(name, kind string, data []byte) string {
		path := filepath.Join(t.TempDir(), name)
		if err := os.WriteFile(path, pem.EncodeToMemory(&pem.Block{Type: kind, Bytes: data}), 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	parsed, err := x509.ParseCertificate(der)
	if err != nil {
		t.Fatal(err)
	}
	pool = x509.NewCertPool()
	pool.AddCert(parsed)
	return write("cert.pem", "CERTIFICATE", der), write("key.pem", "PRIVATE KEY", secret), pool
}

func TestTLS(t *testing.T) {
	cert, key, pool := certificate(t)
	s := start(t, func(c *app.Config) { c.TLSCert, c.TLSKey = cert, key })
	if !strings.HasPrefix(s.Base(), "https://127.0.0.1:") {
		t.Errorf("base %s", s.Base())
	}
	for _, c := range []struct {
		version uint16
		holds   bool
	}{{tls.VersionTLS10, false}, {tls.VersionTLS11, false}, {tls.VersionTLS12, true}, {tls.VersionTLS13, true}} {
		conn, err := tls.Dial("tcp", s.Addr(), &tls.Config{RootCAs: pool, MinVersion: c.version, MaxVersion: c.version})
		if err == nil {
			if got := conn.ConnectionState().Version; got != c.version {
				t.Errorf("%s became %s", tls.VersionName(c.version), tls.VersionName(got))
			}
			conn.Close()
		}
		if (err == nil) != c.holds {
			t.Errorf("%s: %v", tls.VersionName(c.version), err)
		}
	}
	s.http.Transport = &http.Transport{TLSClientConfig: &tls.Config{RootCAs: pool}}
	for _, path := range []string{"/livez", "/fhir/metadata", "/fhir/Patient/x", "/board/", "/nowhere"} {
		if res, _ := s.ask("GET", path, "", ""); res.Header.Get("Strict-Transport-Security") != "max-age=31536000" {
			t.Errorf("%s over TLS: Strict-Transport-Security %q", path, res.Header.Get("Strict-Transport-Security"))
		}
	}
	// Who speaks HTTP to the TLS port is told, and served nothing.
	if res, body := s.ask("GET", "http://"+s.Addr()+"/livez", "", ""); res.StatusCode != 400 || strings.Contains(body, "alive") {
		t.Errorf("plain HTTP on the TLS port: %d %s", res.StatusCode, body)
	}
	plain := start(t, nil)
	if res, _ := plain.ask("GET", "/fhir/metadata", "", ""); res.Header.Get("Strict-Transport-Security") != "" {
		t.Error("without TLS there is a promise of TLS") // RFC 6797 section 7.2
	}
}

// TestHeaders: every kind of answer carries the headers that keep a browser
// from guessing, framing, and telling others.
func TestHeaders(t *testing.T) {
	s := start(t, nil)
	token := s.token("Practitioner/t")
	s.must(201, "PUT", "/fhir/Location/w", token, `{"resourceType":"Location","id":"w"}`)
	for _, c := range []struct {
		method, path, token string
		status              int
	}{
		{"GET", "/livez", "", 200}, {"GET", "/readyz", "", 200}, {"GET", "/openapi.json", "", 200}, {"GET", "/docs", "", 200}, {"GET", "/board", "", 200},
		{"GET", "/board/app.js", "", 200}, {"GET", "/fhir/metadata", "", 200}, {"GET", "/fhir/.well-known/smart-configuration", "", 200},
		{"GET", "/fhir/Location/w", token, 200}, {"HEAD", "/fhir/Location/w", token, 200}, {"GET", "/fhir/Location", token, 200},
		{"GET", "/fhir/Location/w/$emptying-due?_format=csv", token, 200}, {"GET", "/fhir/bulk-dictionary", token, 200},
		{"GET", "/fhir/Location/w", "", 401}, {"GET", "/fhir/Location/w", s.token("Practitioner/t", "user/Group.r"), 403}, {"GET", "/fhir/Location/x", token, 404},
		{"GET", "/fhir/bulk/x", token, 404}, {"GET", "/fhir/bulk/x", "", 401}, {"DELETE", "/fhir/metadata", "", 405}, {"DELETE", "/livez", "", 405},
		{"POST", "/fhir", token, 400}, {"OPTIONS", "/fhir/Location", "", 401}, {"GET", "/nowhere", "", 404}, {"GET", "/fhir/%2e%2e/x", token, 404},
	} {
		res, body := s.ask(c.method, c.path, c.token, "")
		if res.StatusCode != c.status {
			t.Errorf("%s %s: %d, want %d: %s", c.method, c.path, res.StatusCode, c.status, body)
		}
		want := map[string]string{"X-Content-Type-Options": "nosniff", "X-Frame-Options": "DENY", "Referrer-Policy": "no-referrer"}
		if strings.HasPrefix(c.path, "/fhir") && (c.path != "/fhir/metadata" || c.status != 200) {
			want["Cache-Control"] = "no-store"
		}
		for name, value := range want {
			if got := res.Header.Get(name); got != value {
				t.Errorf("%s %s: %s %q, want %q", c.method, c.path, name, got, value)
			}
		}
		csp := res.Header.Get("Content-Security-Policy")
		if page := strings.Contains(res.Header.Get("Content-Type"), "html"); (page || strings.HasPrefix(c.path, "/fhir")) &&
			(!strings.Contains(csp, "default-src 'none'") || !strings.Contains(csp, "frame-ancestors 'none'")) {
			t.Errorf("%s %s: Content-Security-Policy %q", c.method, c.path, csp)
		}
		if res.Header.Get("X-Request-Id") == "" {
			t.Errorf("%s %s has no X-Request-Id", c.method, c.path)
		}
		if v := res.Header.Get("Server") + res.Header.Get("X-Powered-By"); v != "" {
			t.Errorf("%s %s tells what it runs on: %s", c.method, c.path, v)
		}
	}
}

// TestCORS: only the origins of the list may read answers from a browser, and
// never with the browser's own credentials: a token is sent by the page.
func TestCORS(t *testing.T) {
	const good = "https://chart.example.org"
	s := start(t, func(c *app.Config) { c.Origins = []string{good, "http://localhost:3000"} })
	token := s.token("Practitioner/t")
	for _, c := range []struct {
		name, method, path, token, origin string
		status                            int
		allowed                           bool
	}{
		{"listed", "GET", "/fhir/Patient", token, good, 200, true},
		{"listed, second", "GET", "/fhir/Patient", token, "http://localhost:3000", 200, true},
		{"an error is readable too", "GET", "/fhir/Patient/x", token, good, 404, true},
		{"refused login", "GET", "/fhir/Patient", "", good, 401, true},
		{"open route", "GET", "/openapi.json", "", good, 200, true},
		{"preflight", "OPTIONS", "/fhir/Observation", "", good, 204, true},
		{"preflight of the export", "OPTIONS", "/fhir/bulk/x/y", "", good, 204, true},
		{"unlisted", "GET", "/fhir/Patient", token, "https://evil.example.org", 200, false},
		{"unlisted preflight", "OPTIONS", "/fhir/Observation", "", "https://evil.example.org", 401, false},
		{"none", "GET", "/fhir/Patient", token, "", 200, false},
		{"null", "GET", "/fhir/Patient", token, "null", 200, false},
		{"other scheme", "GET", "/fhir/Patient", token, "http://chart.example.org", 200, false},
		{"other port", "GET", "/fhir/Patient", token, good + ":444", 200, false},
		{"other case", "GET", "/fhir/Patient", token, "https://CHART.example.org", 200, false},
		{"prefix", "GET", "/fhir/Patient", token, good + ".evil.org", 200, false},
		{"subdomain", "GET", "/fhir/Patient", token, "https://a.chart.example.org", 200, false},
		{"path", "GET", "/fhir/Patient", token, good + "/", 200, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			header := []string{"Origin", c.origin}
			if c.origin == "" {
				header = nil
			}
			if c.method == "OPTIONS" {
				header = append(header, "Access-Control-Request-Method", "PUT", "Access-Control-Request-Headers", "authorization,if-match")
			}
			res, body := s.ask(c.method, c.path, c.token, "", header...)
			h := res.Header
			if res.StatusCode != c.status {
				t.Errorf("%d, want %d: %s", res.StatusCode, c.status, body)
			}
			want := ""
			if c.allowed {
				want = c.origin
			}
			if got := h.Get("Access-Control-Allow-Origin"); got != want {
				t.Errorf("Access-Control-Allow-Origin %q, want %q", got, want)
			}
			if len(h.Values("Access-Control-Allow-Credentials")) > 0 {
				t.Error("credentials of the browser are let in")
			}
			if !strings.Contains(strings.Join(h.Values("Vary"), ","), "Origin") {
				t.Error("a cache may give the answer for one origin to another: no Vary: Origin")
			}
			if c.method == "OPTIONS" && c.allowed {
				for name, part := range map[string]string{"Access-Control-Allow-Methods": "PUT", "Access-Control-Allow-Headers": "Authorization"} {
					if !strings.Contains(h.Get(name), part) {
						t.Errorf("%s %q", name, h.Get(name))
					}
				}
			}
		})
	}
	closed := start(t, nil)
	if res, _ := closed.ask("GET", "/fhir/metadata", "", "", "Origin", good); res.Header.Get("Access-Control-Allow-Origin") != "" {
		t.Error("without a list an origin is let in")
	}
}

// TestTooCostly: a small body that becomes a large tree, and patches of very many
// operations, are refused before they cost anything.
func TestTooCostly(t *testing.T) {
	s := start(t, func(*app.Config) {})
	token := s.token("Practitioner/t")
	s.must(201, "PUT", "/fhir/Location/w", token, `{"resourceType":"Location","id":"w","name":"Ward 7"}`)
	many := func(n int, item, before, after string) string {
		return before + strings.TrimSuffix(strings.Repeat(item+",", n), ",") + after
	}
	add := `{"op":"add","path":"/alias/-","value":"a"}`
	operation := `{"name":"operation","part":[{"name":"type","valueCode":"add"},{"name":"path","valueString":"Location"},{"name":"name","valueString":"alias"},{"name":"value","valueString":"a"}]}`
	for _, c := range []struct {
		name, method, media, body, says string
		want                            int
	}{
		{"values", "PUT", "application/fhir+json", many(300_000, "0", `{"resourceType":"Location","id":"w","alias":[`, `]}`), "values", 413},
		{"JSON Patch", "PATCH", "application/json-patch+json", many(20_000, add, `[{"op":"add","path":"/alias","value":["b"]},`, `]`), "operations", 413},
		{"FHIRPath Patch", "PATCH", "application/fhir+json", many(5_000, operation, `{"resourceType":"Parameters","parameter":[`, `]}`), "operations", 413},
		{"an ordinary patch", "PATCH", "application/json-patch+json", many(900, add, `[{"op":"add","path":"/alias","value":["b"]},`, `]`), "Ward 7", 200},
	} {
		t.Run(c.name, func(t *testing.T) {
			res, body := s.ask(c.method, "/fhir/Location/w", token, gzipped(t, c.body), "Content-Encoding", "gzip", "Content-Type", c.media)
			if res.StatusCode != c.want || !strings.Contains(body, c.says) {
				t.Errorf("%d, want %d and a word of %q: %.300s", res.StatusCode, c.want, c.says, body)
			}
		})
	}
}

// TestTooLarge: headers and bodies have limits, compressed ones too, and the
// service goes on.
func TestTooLarge(t *testing.T) {
	s := start(t, func(c *app.Config) { c.MaxBody = 4096 })
	token := s.token("Practitioner/t")
	pad := func(n int) string {
		return `{"resourceType":"Location","id":"w","name":"` + strings.Repeat("x", n) + `"}`
	}
	var bomb bytes.Buffer
	z := gzip.NewWriter(&bomb)
	if _, err := io.WriteString(z, pad(64<<20)); err != nil {
		t.Fatal(err)
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	small := bomb.Len()
	for _, c := range []struct {
		name, body string
		header     []string
		want       int
	}{
		{"fits", pad(3000), nil, 201},
		{"too long", pad(5000), nil, 413},
		{"too long by one", pad(4097 - len(pad(0))), nil, 413},
		{"just fits", pad(4096 - len(pad(0))), nil, 200},
		{"grows too long when unpacked", gzipped(t, pad(1<<20)), []string{"Content-Encoding", "gzip"}, 413},
		{"bomb", bomb.String(), []string{"Content-Encoding", "gzip"}, 413},
		{"header too long", pad(1), []string{"X-Long", strings.Repeat("x", 128<<10)}, 431},
		{"token too long", pad(1), []string{"Authorization", "Bearer " + strings.Repeat("x", 9000)}, 401},
	} {
		t.Run(c.name, func(t *testing.T) {
			if res, body := s.ask("PUT", "/fhir/Location/w", token, c.body, c.header...); res.StatusCode != c.want {
				t.Errorf("%d, want %d: %.300s", res.StatusCode, c.want, body)
			}
		})
	}
	if small <= 4096 {
		t.Errorf("the bomb of %d bytes tests only the limit of what is unpacked", small)
	}
	// Without a length the limit holds as well.
	req, err := http.NewRequest("PUT", s.url+"/fhir/Location/w", io.MultiReader(strings.NewReader(pad(1<<20))))
	if err != nil {
		t.Fatal(err)
	}
	req.Header.Set("Authorization", "Bearer "+token)
	req.Header.Set("Content-Type", "application/fhir+json")
	res, err := s.http.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	res.Body.Close()
	if res.StatusCode != 413 {
		t.Errorf("a body without a length: %d, want 413", res.StatusCode)
	}
	s.must(200, "GET", "/fhir/Location/w", token, "")
}

func gzipped(t *testing.T, s string) string {
	t.Helper()
	var b bytes.Buffer
	z := gzip.NewWriter(&b)
	if _, err := io.WriteString(z, s); err != nil {
		t.Fatal(err)
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

// TestSlowClients: who takes for ever to send a request is let go of. That
// the end comes at all is what is tested, not when.
func TestSlowClients(t *testing.T) {
	s := start(t, func(c *app.Config) { c.HeaderTime, c.RequestTime = 50*time.Millisecond, 200*time.Millisecond })
	token := s.token("Practitioner/t")
	for _, c := range []struct{ name, send, want string }{
		{"nothing at all", "", ""},
		{"half a header", "GET /fhir/metadata HTTP/1.1\r\nHost: x\r\nX-Sl", ""},
		{"half a body", "POST /fhir/Location HTTP/1.1\r\nHost: x\r\nAuthorization: Bearer " + token + "\r\nContent-Type: application/fhir+json\r\nContent-Length: 500\r\n\r\n{\"resource", "400"},
	} {
		t.Run(c.name, func(t *testing.T) {
			conn, err := net.Dial("tcp", s.Addr())
			if err != nil {
				t.Fatal(err)
			}
			defer conn.Close()
			if _, err := io.WriteString(conn, c.send); err != nil {
				t.Fatal(err)
			}
			if err := conn.SetReadDeadline(time.Now().Add(2 * time.Minute)); err != nil {
				t.Fatal(err)
			}
			r := bufio.NewReader(conn)
			if c.want != "" {
				res, err := http.ReadResponse(r, nil)
				if err != nil {
					t.Fatal(err)
				}
				io.Copy(io.Discard, res.Body)
				if got := strconv.Itoa(res.StatusCode); got != c.want {
					t.Errorf("answered %s, want %s", got, c.want)
				}
			}
			if _, err := io.Copy(io.Discard, r); err != nil && !strings.Contains(err.Error(), "reset") {
				t.Errorf("the connection was not closed: %v", err)
			}
		})
	}
	s.must(200, "GET", "/livez", "", "")
}

// TestClientThatNeverReads asks and asks, and takes no answer: its connection
// is closed.
func TestClientThatNeverReads(t *testing.T) {
	s := start(t, func(c *app.Config) { c.AnswerTime = 200 * time.Millisecond })
	conn, err := net.Dial("tcp", s.Addr())
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	if err := conn.SetWriteDeadline(time.Now().Add(2 * time.Minute)); err != nil {
		t.Fatal(err)
	}
	for err == nil {
		_, err = io.WriteString(conn, "GET /openapi.json HTTP/1.1\r\nHost: x\r\n\r\n")
	}
	if errors.Is(err, os.ErrDeadlineExceeded) {
		t.Error("the connection was not closed")
	}
	s.must(200, "GET", "/livez", "", "")
}

// TestRateLimit: a client that asks too often is told when to come back, as
// whole seconds, and others are not troubled.
func TestRateLimit(t *testing.T) {
	// One request in 100 s and no more, so that the test never waits.
	s := start(t, func(c *app.Config) { c.Rate = 0.01 })
	greedy, other := s.token("Practitioner/greedy"), s.token("Practitioner/other")
	s.must(200, "GET", "/fhir/Patient", greedy, "")
	for _, r := range []struct{ method, path string }{
		{"GET", "/fhir/Patient"}, {"GET", "/fhir/Patient/x"}, {"POST", "/fhir"}, {"GET", "/fhir/$export"}, {"GET", "/fhir/AuditEvent"},
		{"GET", "/fhir/bulk/x"}, {"DELETE", "/fhir/bulk/x"}, {"GET", "/fhir/bulk/x/y.ndjson"}, {"GET", "/fhir/bulk-dictionary"},
	} {
		// Another token of the same client has no allowance of its own.
		for _, token := range []string{greedy, s.token("Practitioner/greedy", "system/*.cruds user/*.r")} {
			res, body := s.ask(r.method, r.path, token, "")
			n, err := strconv.Atoi(res.Header.Get("Retry-After"))
			if res.StatusCode != 429 || err != nil || n < 1 || n > 100 {
				t.Errorf("%s %s: %d with Retry-After %q, want 429 with 1 to 100: %s", r.method, r.path, res.StatusCode, res.Header.Get("Retry-After"), body)
			}
			if !strings.Contains(body, `"throttled"`) {
				t.Errorf("%s %s: %s", r.method, r.path, body)
			}
		}
	}
	s.must(200, "GET", "/fhir/Patient", other, "")
	for range 5 { // what a load balancer asks, without a token
		for _, path := range []string{"/livez", "/readyz", "/fhir/metadata", "/fhir/.well-known/smart-configuration", "/openapi.json", "/board/"} {
			s.must(200, "GET", path, "", "")
		}
	}
	free := start(t, nil)
	token := free.token("Practitioner/t")
	for range 50 {
		free.must(200, "GET", "/fhir/Patient?_count=1", token, "")
	}
}

// TestAdminListener: metrics and profiles are on their own address only, and
// no data are there.
func TestAdminListener(t *testing.T) {
	s := start(t, nil)
	token := s.token("Practitioner/t")
	s.must(200, "GET", "/fhir/Patient", token, "")
	admin := "http://" + s.AdminAddr()
	if m := s.must(200, "GET", admin+"/metrics", "", ""); !strings.Contains(m, `tidemark_requests_total{interaction="search-type",status="200",type="Patient"} 1`) || !strings.Contains(m, "tidemark_store_up 1") {
		t.Errorf("metrics: %s", m)
	}
	s.must(200, "GET", admin+"/debug/pprof/", "", "")
	s.must(200, "GET", admin+"/debug/pprof/heap", "", "")
	for _, path := range []string{"/debug/pprof/cmdline", "/fhir/metadata", "/fhir/Patient", "/board/", "/openapi.json", "/livez"} {
		if res, _ := s.ask("GET", admin+path, token, ""); res.StatusCode != 404 {
			t.Errorf("%s on the admin address: %d", path, res.StatusCode)
		}
	}
	for _, path := range []string{"/metrics", "/debug/pprof/", "/debug/pprof/heap", "/debug/pprof/cmdline", "/debug/vars"} {
		for _, tok := range []string{"", token} {
			if res, body := s.ask("GET", path, tok, ""); res.StatusCode != 404 || strings.Contains(body, "goroutine") {
				t.Errorf("%s on the public address: %d", path, res.StatusCode)
			}
		}
	}
	none := start(t, func(c *app.Config) { c.AdminListen = "" })
	if got := none.AdminAddr(); got != "" {
		t.Errorf("an admin address that nobody asked for: %s", got)
	}
	none.must(404, "GET", "/metrics", "", "")
	none.must(200, "GET", "/livez", "", "")
}

// TestSubscriptionsAreLimited: each costs work for every change.
func TestSubscriptionsAreLimited(t *testing.T) {
	s := start(t, func(c *app.Config) { c.Subscribed = 2; c.Webhooks = []string{"127.0.0.1:9"} })
	token := s.token("Practitioner/t")
	subscription := func(status string) string {
		return fmt.Sprintf(`{"resourceType":"Subscription","status":%q,"reason":"test","criteria":"Observation?code=9203-1","channel":{"type":"rest-hook","endpoint":"http://127.0.0.1:9/in","payload":"application/fhir+json"}}`, status)
	}
	s.must(201, "POST", "/fhir/Subscription", token, subscription("requested"))
	second := s.must(201, "POST", "/fhir/Subscription", token, subscription("requested"))
	if b := s.must(422, "POST", "/fhir/Subscription", token, subscription("requested")); !strings.Contains(b, "delete one") {
		t.Errorf("%s", b)
	}
	var kept struct{ ID string }
	if err := json.Unmarshal([]byte(second), &kept); err != nil {
		t.Fatal(err)
	}
	s.must(204, "DELETE", "/fhir/Subscription/"+kept.ID, token, "")
	s.must(201, "POST", "/fhir/Subscription", token, subscription("requested"))
}

// TestConnectionsAreLimited: one more than may be waits until another is gone.
func TestConnectionsAreLimited(t *testing.T) {
	s := start(t, func(c *app.Config) { c.Connections = 2 })
	dial := func() net.Conn {
		c, err := net.Dial("tcp", s.Addr())
		if err != nil {
			t.Fatal(err)
		}
		fmt.Fprint(c, "GET /livez HTTP/1.1\r\nHost: x\r\n\r\n")
		return c
	}
	answered := func(c net.Conn, within time.Duration) bool {
		_ = c.SetReadDeadline(time.Now().Add(within))
		n, err := c.Read(make([]byte, 10))
		return err == nil && n > 0
	}
	a, b := dial(), dial()
	defer b.Close()
	if !answered(a, time.Minute) || !answered(b, time.Minute) {
		t.Fatal("two are not served")
	}
	c := dial()
	defer c.Close()
	if answered(c, 300*time.Millisecond) {
		t.Error("a third is served beside the two")
	}
	a.Close()
	if !answered(c, time.Minute) {
		t.Error("the third is not served when the first is gone")
	}
}
